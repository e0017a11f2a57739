"""`deckwright stages`: what plugins there are, and the options of one."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

import click
from pydantic import BaseModel

from deckwright.cli.shared.terminal import width
from deckwright.errors import PluginError, UnknownKindError
from deckwright.jobs.describe import described_schema
from deckwright.plugin.registry import Registry


def _complete(_: click.Context, __: click.Parameter, start: str) -> list[str]:
    registry = Registry()
    kinds = [*registry.kinds("stages"), *registry.kinds("media")]
    return [kind for kind in kinds if kind.startswith(start)]


@click.command(name="stages")
@click.argument("kind", required=False, shell_complete=_complete)
def command(kind: str | None) -> None:
    """List the stages and media that are installed, or the options of one KIND."""
    registry = Registry()
    if kind is None:
        for group, title in (("stages", "Stages"), ("media", "Media")):
            click.echo(title)
            for name in registry.kinds(group):
                _say(_about(registry, group, name), f"  {name:<14} ", " " * 17)
        return
    model, origin = _model(registry, kind)
    _say(f"{kind} ({origin}): {_first_line(model)}", "", "  ")
    for line in options(model):
        indent = " " * (len(line) - len(line.lstrip()))
        _say(line.strip(), indent, f"{indent}  ")


def _say(text: str, lead: str, indent: str) -> None:
    """Print a text, wrapped to the terminal."""
    across = max(width(), len(indent) + 20)
    click.echo(
        textwrap.fill(
            text, across, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False
        )
    )


def _about(registry: Registry, group: str, name: str) -> str:
    # one broken plugin must not hide the others
    try:
        found = registry.stage(name) if group == "stages" else registry.medium(name)
    except PluginError as error:
        return f"broken: {error}"
    return f"{_first_line(found.config_model)} ({registry.origin(group, name)})"


def _model(registry: Registry, kind: str) -> tuple[type[BaseModel], str]:
    if kind in registry.kinds("stages"):
        return registry.stage(kind).config_model, registry.origin("stages", kind)
    if kind in registry.kinds("media"):
        return registry.medium(kind).config_model, registry.origin("media", kind)
    group = "stage or medium"
    raise UnknownKindError(group, kind, registry.kinds("stages") + registry.kinds("media"))


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0] if model.__doc__ else ""


def options(model: type[BaseModel]) -> Iterator[str]:
    """Yield a line for each option of a model, tables inside it indented."""
    schema = described_schema(model)
    yield from _table(schema, schema.get("$defs", {}), "  ")


def _table(schema: Mapping[str, Any], known: Mapping[str, Any], indent: str) -> Iterator[str]:
    needed = schema.get("required", [])
    for name, option in schema.get("properties", {}).items():
        state = "needed" if name in needed else f"default {option.get('default')!r}"
        if name not in needed and option.get("default") in (None, ""):
            state = "optional"
        yield f"{indent}{name} ({_kind(option)}, {state})"
        if "description" in option:
            yield f"{indent}    {' '.join(option['description'].split())}"
        for reference in _references(option):
            yield from _table(known[reference], known, indent + "    ")


def _kind(option: Mapping[str, Any]) -> str:
    if "enum" in option:
        return " | ".join(map(str, option["enum"]))
    if "anyOf" in option:
        kinds = dict.fromkeys(_kind(part) for part in option["anyOf"])
        return " or ".join(kind for kind in kinds if kind != "nothing")
    if "$ref" in option:
        return "table"
    if option.get("type") == "array":
        return f"list of {_kind(option.get('items', {}))}"
    kind = str(option.get("type", "any"))
    return {"object": "table", "null": "nothing"}.get(kind, kind)


def _references(option: Mapping[str, Any]) -> list[str]:
    found = [option["$ref"].rpartition("/")[2]] if "$ref" in option else []
    for part in [*option.get("anyOf", []), *option.get("allOf", [])]:
        found += _references(part)
    for inner in ("items", "additionalProperties"):
        if isinstance(option.get(inner), Mapping):
            found += _references(option[inner])
    return list(dict.fromkeys(found))

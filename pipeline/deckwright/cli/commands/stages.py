"""`deckwright stages`: what plugins there are, and the options of one."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click
from pydantic import BaseModel

from deckwright.cli.shared.paths import PATH
from deckwright.cli.shared.terminal import width
from deckwright.errors import PluginError, UnknownKindError
from deckwright.jobs.describe import described_schema
from deckwright.plugin.forms import FormConfig
from deckwright.plugin.registry import Registry

GROUPS = {"stages": "Stages", "media": "Media", "forms": "Forms", "notices": "Notices"}
"""What is listed, with its heading."""


def _complete(_: click.Context, __: click.Parameter, start: str) -> list[str]:
    registry = Registry()
    kinds = dict.fromkeys(kind for group in GROUPS for kind in registry.kinds(group))
    return [kind for kind in kinds if kind.startswith(start)]


@click.command(name="stages")
@click.argument("kind", required=False, shell_complete=_complete)
@click.option("--plugin", "plugins", type=PATH, multiple=True, metavar="FILE",
              help="A plugin in one file, whose kinds are listed too.")  # fmt: skip
def command(kind: str | None, plugins: tuple[Path, ...]) -> None:
    """List the stages, media, forms and notices that there are, or the options of one KIND."""
    registry = Registry(plugins)
    if kind is None:
        for group, title in GROUPS.items():
            click.echo(title)
            for name in registry.kinds(group):
                _say(_about(registry, group, name), f"  {name:<14} ", " " * 17)
        return
    groups = [group for group in GROUPS if kind in registry.kinds(group)]
    if not groups:
        known = [name for group in GROUPS for name in registry.kinds(group)]
        group = "stage, medium, form or notice"
        raise UnknownKindError(group, kind, known)
    for group in groups:
        model = registry.options(group, kind)
        _say(f"{kind} ({registry.origin(group, kind)}): {_first_line(model)}", "", "  ")
        for line in options(model, registry):
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
        model = registry.options(group, name)
    except PluginError as error:
        return f"broken: {error}"
    return f"{_first_line(model)} ({registry.origin(group, name)})"


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0] if model.__doc__ else ""


def options(model: type[BaseModel], registry: Registry | None = None) -> Iterator[str]:
    """Yield a line for each option of a model, tables inside it indented.

    registry: finds the forms that an option takes, whose own options are told too.
    """
    schema = described_schema(model)
    yield from _table(schema, schema.get("$defs", {}), "  ")
    takes_forms = any("plugins" in option for option in schema.get("properties", {}).values())
    if registry is not None and takes_forms:
        yield from _table(described_schema(FormConfig), {}, "      ")
        for kind in registry.kinds("forms"):
            yield from _form(registry, kind)


def _form(registry: Registry, kind: str) -> Iterator[str]:
    """Yield what a form is, and its own options."""
    try:
        form = registry.options("forms", kind)
    except PluginError as error:
        yield f'    form = "{kind}": broken: {error}'
        return
    yield f'    form = "{kind}": {_first_line(form)}'
    schema = described_schema(form)
    yield from _table(schema, schema.get("$defs", {}), "      ", frozenset(FormConfig.model_fields))


def _table(
    schema: Mapping[str, Any],
    known: Mapping[str, Any],
    indent: str,
    told: frozenset[str] = frozenset(),
) -> Iterator[str]:
    """Yield a line for each option that was not told before."""
    needed = schema.get("required", [])
    for name, option in schema.get("properties", {}).items():
        if name in told:
            continue
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

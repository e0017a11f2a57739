"""`deckwright schema`: JSON Schemas, with which editors complete and check config files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from deckwright.cli.shared.paths import PATH
from deckwright.errors import OutputError, PluginError
from deckwright.jobs.describe import described_schema
from deckwright.jobs.job import JobSpec
from deckwright.jobs.layouts import LayoutSpec
from deckwright.jobs.service import ServiceSpec
from deckwright.plugin.registry import Registry


@click.command(name="schema")
@click.option(
    "-o",
    "--out",
    type=PATH,
    help="Folder for job.schema.json, layout.schema.json and service.schema.json.",
)
def command(out: Path | None) -> None:
    """Print the JSON Schemas of job, layout and service files, or write them into a folder."""
    schemas = {
        "job": job_schema(),
        "layout": described_schema(LayoutSpec),
        "service": described_schema(ServiceSpec),
    }
    if out is None:
        click.echo(json.dumps(schemas, indent=2, ensure_ascii=False))
        return
    try:
        _write(out, schemas)
    except FileExistsError as error:
        raise OutputError(str(out), "is not a folder; name another one") from error
    except OSError as error:
        what = f"cannot be written: {(error.strerror or '').lower()}; name another folder"
        raise OutputError(str(error.filename or out), what) from error


def _write(out: Path, schemas: Mapping[str, Any]) -> None:
    out.mkdir(parents=True, exist_ok=True)
    for name, schema in schemas.items():
        path = out / f"{name}.schema.json"
        path.write_text(json.dumps(schema, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        click.echo(str(path))


def job_schema() -> dict[str, Any]:
    """Return the schema of a job file with the options of every stage kind that can be loaded."""
    registry = Registry()
    schema = described_schema(JobSpec)
    inner = schema.setdefault("$defs", {})
    kinds = _kinds(registry, "stages", "kind", inner)
    schema["properties"]["stage"]["items"] = {"oneOf": kinds}
    source = next(each for each in kinds if each["properties"]["kind"] == {"const": "decode"})
    deck = inner["DeckSpec"]
    deck["properties"] = {**source["properties"], **deck["properties"]}
    deck["required"] = [*deck["required"], *(key for key in source["required"] if key != "kind")]
    return schema


def _kinds(registry: Registry, group: str, key: str, inner: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the schema of a table for each kind of a group; inner: takes the models inside."""
    kinds = []
    for kind in registry.kinds(group):
        try:
            model = registry.options(group, kind)
        except PluginError:
            continue
        options = described_schema(model, ref_template=f"#/$defs/{kind}.{{model}}")
        inner |= {f"{kind}.{name}": one for name, one in options.pop("$defs", {}).items()}
        for option in options["properties"].values():
            if of := option.pop("plugins", ""):
                option["items"] = {"oneOf": _kinds(registry, of, "form", inner)}
        options["properties"] = {key: {}} | options["properties"] | {key: {"const": kind}}
        options["required"] = list(dict.fromkeys([key, *options.get("required", [])]))
        kinds.append(options)
    return kinds

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
    kinds = []
    for kind in registry.kinds("stages"):
        try:
            options = described_schema(
                registry.stage(kind).config_model, ref_template=f"#/$defs/{kind}.{{model}}"
            )
        except PluginError:
            continue
        for name, inner in options.pop("$defs", {}).items():
            schema.setdefault("$defs", {})[f"{kind}.{name}"] = inner
        options["properties"] = {"kind": {"const": kind}, **options["properties"]}
        options["required"] = ["kind", *options.get("required", [])]
        kinds.append(options)
    schema["properties"]["stage"]["items"] = {"oneOf": kinds}
    return schema

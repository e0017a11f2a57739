"""`deckwright status`: where every deck of a workspace is."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from deckwright.cli.operate import FOLDER
from deckwright.errors import ConfigError
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.places import Workspace, shown
from deckwright.service.status import Status, gather

_FEW = 10


@click.command(name="status")
@FOLDER
@click.option("--json", "as_json", is_flag=True, help="One JSON object with everything.")
def command(folder: Path, *, as_json: bool) -> None:
    """Tell where every deck of the workspace DIR is, and whether its service is well."""
    workspace = Workspace(folder.resolve())
    spec, fault = ServiceSpec(), ""
    try:
        spec = load_service(workspace.service_file)
    except ConfigError as error:  # the service goes on with the former one
        fault = str(error)
    status = gather(workspace, spec)
    status.health += [fault] if fault and fault not in status.health else []
    if as_json:
        click.echo(json.dumps(status.as_dict(), indent=2))
        return
    console = Console(highlight=False)
    console.print(Text(f"{workspace.root}: service {status.service}"))
    for reason in status.health:
        console.print(Text(f"  needs a look: {shown(reason)}"))
    console.print(_counts(status))
    _lists(console, status)


def _counts(status: Status) -> Table:
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(justify="left")
    table.add_column(justify="right")
    table.add_column(justify="left")
    later = f"{len(status.retries):,} for a later try" if status.retries else ""
    lines = [
        ("in the inbox", status.in_inbox, "not taken yet"),
        ("waiting", status.waiting, later),
        ("running", status.running, ""),
        ("held", status.held, ""),
        ("done", status.done, f"{status.done_today:,} today"),
        ("returned", status.returned, f"{status.returned_today:,} today"),
        ("dropped", status.dropped, "the sum of all these"),
    ]  # fmt: skip
    for name, count, more in lines:
        table.add_row(name, f"{count:,}", more)
    if status.gone:
        table.add_row("taken away", f"{status.gone:,}", "ended runs whose folders are elsewhere")
    return table


def _lists(console: Console, status: Status) -> None:
    for now in status.running_now:
        share = f"{now['done']:,} of {now['total']:,} cards" if now["total"] else ""
        _line(console, "running", now["run"], now["job"], now["deck"], now["stage"], share)
    for name, lines in (("held", status.held_runs), ("returned", status.returned_runs)):
        for each in lines[:_FEW]:
            _line(console, name, each.run, each.job, each.deck, each.why)
        if len(lines) > _FEW:
            console.print(Text(f"{name}  ... and {len(lines) - _FEW:,} more"))
    for run, why in status.retries.items():
        _line(console, "waiting", run, why)
    for job, why in status.held_jobs.items():
        _line(console, "job held", job, why)
    for run in status.late_runs:
        _line(console, "late bytes", run, "the deck grew after its run; see its later run")
    for stray in status.strays[:_FEW]:
        _line(console, "no deck", stray["place"], stray["why"])
    if status.strays_in_all > _FEW:
        console.print(Text(f"no deck  ... and {status.strays_in_all - _FEW:,} more"))


def _line(console: Console, what: str, *parts: str) -> None:
    text = "  ".join(shown(part) for part in parts if part)
    console.print(Text(f"{what}  {text}"), soft_wrap=True)

"""`deckwright status`: where every deck of a workspace is."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from deckwright.cli.shared.listing import FOLDER, JOB, STATE, print_entries
from deckwright.errors import ConfigError
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.inbox.settling import UNSETTLED
from deckwright.service.operate.finding import listed
from deckwright.service.operate.status import Status, gather
from deckwright.service.system.places import Workspace, shown

_FEW = 10
_WORDS = {"not running": "not running; start it with `deckwright watch {}`"}


@click.command(name="status")
@FOLDER
@click.option("--json", "as_json", is_flag=True, help="One JSON object with everything.")
@STATE
@JOB
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
              help="List the runs taken or ended on this day (UTC).")  # fmt: skip
@click.pass_context
def command(
    ctx: click.Context, folder: Path, state: tuple[str, ...], job: str, day: object, *,
    as_json: bool,
) -> None:  # fmt: skip
    """Tell where every deck of the workspace DIR is, and whether its service is well.

    With --state, --job or --day it lists the runs that fit, each with the place of its files.

    Ends with 0 when all is well, 10 when a job or deck is held, 11 when something needs a look, 12
    when the disk is full, 13 when the service is not running or does not answer.
    """
    workspace = Workspace(folder.resolve())
    spec, fault = ServiceSpec(), ""
    try:
        spec = load_service(workspace.service_file)
    except ConfigError as error:  # the service goes on with the former one
        fault = str(error)
    status = gather(workspace, spec, [fault] if fault else [])
    if state or job or day:
        date = str(day)[:10] if day else ""
        print_entries(workspace, listed(workspace, states=state, job=job, day=date), as_json)
        return
    if as_json:
        click.echo(json.dumps(status.as_dict(), indent=2))
        ctx.exit(status.exit_code)
    console = Console(highlight=False)
    words = _WORDS.get(status.service, status.service).format(workspace.root)
    console.print(Text(f"{workspace.root}: service {words}"), soft_wrap=True)
    for reason in status.health:
        console.print(Text(f"  needs a look: {shown(reason)}"), soft_wrap=True)
    console.print(_counts(status))
    _lists(console, status)
    ctx.exit(status.exit_code)


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
        ("done", status.done, f"{status.done_today:,} today (UTC)"),
        ("returned", status.returned, f"{status.returned_today:,} today (UTC)"),
        ("total", status.dropped, ""),
    ]  # fmt: skip
    for name, count, more in lines:
        table.add_row(name, f"{count:,}", more)
    if status.gone:
        table.add_row("removed", f"{status.gone:,}", "ended runs whose folders are elsewhere")
    return table


def _lists(console: Console, status: Status) -> None:
    for now in status.running_now:
        share = f"{now['done']:,} of {now['total']:,} cards" if now["total"] else ""
        _line(console, "running", now["run"], now["job"], now["deck"], now["stage"], share)
    for name, lines in (("held", status.held_runs), ("returned", status.returned_runs)):
        for each in lines[:_FEW]:
            _line(console, name, each.job, each.deck, each.why, each.place)
        if len(lines) > _FEW:
            more = f"{name}  ... and {len(lines) - _FEW:,} more: add --state {name}"
            console.print(Text(more))
    for run, why in status.retries.items():
        _line(console, "waiting", run, why)
    for job, why in status.held_jobs.items():
        _line(console, "job held", job, why)
    _parts(console, status)
    for place in status.foreign[:_FEW]:
        _line(console, "foreign", place, "is not the folder of a run; it does not belong there")
    _more(console, "foreign", len(status.foreign))
    _inbox(console, status)


def _parts(console: Console, status: Status) -> None:
    """List decks that did not come in one piece."""
    for run in status.late_runs[:_FEW]:
        _line(console, "late bytes", run, "the deck grew after its run; see its later run")
    _more(console, "late bytes", len(status.late_runs))
    for name, lines in (("cut deck", status.cut_decks), ("no line end", status.open_ends)):
        for each in lines[:_FEW]:
            _line(console, name, each.run, each.job, each.deck, each.why)
        _more(console, name, len(lines))


def _inbox(console: Console, status: Status) -> None:
    for stray in status.strays[:_FEW]:
        name = "being written" if stray["why"] in UNSETTLED else "not taken"
        _line(console, name, f"inbox/{stray['place']}", stray["why"])
    _more(console, "not taken", status.strays_in_all)
    for passed in status.passed_by[:_FEW]:
        _line(console, "passed by", f"inbox/{passed['place']}", passed["why"])
    _more(console, "passed by", len(status.passed_by))


def _more(console: Console, what: str, count: int) -> None:
    if count > _FEW:
        console.print(Text(f"{what}  ... and {count - _FEW:,} more"))


def _line(console: Console, what: str, *parts: str) -> None:
    text = "  ".join(shown(part) for part in parts if part)
    console.print(Text(f"{what}  {text}"), soft_wrap=True)

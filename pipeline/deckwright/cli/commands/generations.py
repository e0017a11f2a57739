"""`deckwright generations`: what a master was, run by run."""

from __future__ import annotations

import json
from pathlib import Path

import click

from deckwright.cli.shared.listing import FOLDER
from deckwright.service.operate.control import AskError
from deckwright.service.operate.finding import ledger_of
from deckwright.service.store.generations import Generation, Generations, LaneStoppedError
from deckwright.service.system.places import Workspace, shown
from deckwright.service.system.standing import expect_workspace


@click.command(name="generations")
@FOLDER
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON list.")
@click.pass_context
def command(ctx: click.Context, folder: Path, name: str | None, *, as_json: bool) -> None:
    """List the generations of the masters in the workspace DIR, or of the master NAME alone.

    The newest is the master that the next run meets. `deckwright restore` puts an earlier one back.
    Ends with 1 when there is none.
    """
    workspace = Workspace(folder.resolve())
    expect_workspace(workspace)
    ledger = ledger_of(workspace)
    try:
        found = Generations(workspace, ledger)
        table = {
            lane: (found.every(lane), set(found.kept(lane)))
            for lane in found.lanes()
            if name in (None, lane)
        }
    except LaneStoppedError as error:
        raise AskError(str(error)) from error
    finally:
        ledger.close()
    if as_json:
        rows = [row for lane, (every, kept) in table.items() for row in _rows(lane, every, kept)]
        click.echo(json.dumps(rows, indent=1))
    for lane, (every, kept) in () if as_json else table.items():
        click.echo(f"{lane}")
        for row in _rows(lane, every, kept):
            records = "" if row["records"] is None else f"{row['records']:,} records"
            place = "kept" if row["kept"] else "with its run" if row["run"] else "not kept"
            place = "now" if row["now"] else place
            click.echo(
                f"  {row['generation']:>6}  {str(row['sha256'])[:12]}  {records:>16}  {place:<12}"
                f"  {row['made_by']}"
            )
        if not every:
            click.echo("  no run has moved it on yet")
    if not any(every for every, _ in table.values()):
        if name is not None and not table:
            click.echo(f"deckwright: no master is called {shown(name)!r}", err=True)
        ctx.exit(1)


def _rows(lane: str, every: list[Generation], kept: set[int]) -> list[dict[str, object]]:
    return [
        {
            "master": lane,
            "generation": each.number,
            "sha256": each.sha256,
            "records": each.records,
            "now": each is every[-1],
            "kept": each is every[-1] or each.number in kept,
            "run": each.run,
            "made_by": _made_by(each),
        }
        for each in every
    ]


def _made_by(each: Generation) -> str:
    if each.restored is not None:
        put = each.restored
        return f"generation {put.of} put back on {put.at[:10]} by {put.by}: {put.why}"
    return each.run or "the file that the job names"

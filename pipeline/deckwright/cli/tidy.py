"""`deckwright tidy`: remove old runs, on a person's word."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.operate import FOLDER
from deckwright.jobs.service import load_service
from deckwright.service.clock import Clock
from deckwright.service.finding import ledger_of
from deckwright.service.fs import Fs
from deckwright.service.places import Workspace, shown
from deckwright.service.standing import expect_workspace
from deckwright.service.tidy import LIST, candidates, differs, remove


@click.command(name="tidy")
@FOLDER
@click.option("--older-than", "days", type=click.FloatRange(min=0), required=True, metavar="DAYS",
              help="Runs that ended at least so many days ago.")  # fmt: skip
@click.option("--returned", is_flag=True, help="Returned decks instead of done runs.")
@click.option("--accepted-by", default="", metavar="NAME",
              help="Who has accepted the results; without it nothing is removed.")  # fmt: skip
def command(folder: Path, days: float, accepted_by: str, *, returned: bool) -> None:
    """List old runs of DIR, or with --accepted-by remove them for good, decks and all.

    Before a run is removed every byte of it is checked; what differs from its manifest stays, and
    so does the run that left the present master. What is removed is entered in DIR/tidied.csv.
    """
    workspace, clock, fs = Workspace(folder.resolve()), Clock(), Fs()
    expect_workspace(workspace)
    ledger = ledger_of(workspace)
    spec, state = load_service(workspace.service_file), "returned" if returned else "done"
    removed = listed = size = 0
    for each in candidates(workspace, ledger, spec, clock, days=days, state=state):
        listed += 1
        line = f"{each.row.run}  {each.row.job}  {shown(each.row.name)}  {each.size:,} bytes"
        kept = each.kept or (differs(workspace, each) if accepted_by else "")
        if kept:
            click.echo(f"stays    {line}: {shown(kept)}")
            continue
        size += each.size
        removed += 1
        if accepted_by:
            remove(workspace, fs, clock, each, accepted_by)
        click.echo(f"{'removed' if accepted_by else 'may go'}  {line}")
    ledger.close()
    if accepted_by:
        where = workspace.root / LIST
        click.echo(f"{removed:,} of {listed:,} runs removed, {size:,} bytes; entered in {where}")
    else:
        click.echo(f"{removed:,} of {listed:,} runs may go, {size:,} bytes; nothing was removed.")
        click.echo("Repeat with --accepted-by NAME once someone else has accepted the results.")

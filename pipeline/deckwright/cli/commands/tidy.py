"""`deckwright tidy`: remove old runs, on a person's word."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.listing import FOLDER
from deckwright.jobs.service import load_service
from deckwright.service.operate.finding import ledger_of
from deckwright.service.operate.tidy import (
    LIST,
    archive,
    candidates,
    differs,
    drop_histories,
    remove,
)
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace, shown
from deckwright.service.system.standing import expect_workspace


@click.command(name="tidy")
@FOLDER
@click.option("--older-than", "days", type=click.FloatRange(min=0), required=True, metavar="DAYS",
              help="Only runs that ended at least DAYS days ago.")  # fmt: skip
@click.option("--returned", is_flag=True, help="Returned decks instead of done runs.")
@click.option("--accepted-by", default="", metavar="NAME",
              help="Who has accepted the results; without it nothing is removed.")  # fmt: skip
@click.option("--archive", "pack", is_flag=True, help="Keep what is removed in a sealed archive.")
def command(folder: Path, days: float, accepted_by: str, *, returned: bool, pack: bool) -> None:
    """List old runs of DIR, or with --accepted-by remove them for good, decks and all.

    Before a run is removed every byte of it is checked; what differs from its manifest stays, and
    so does the run that left the present master. What is removed is entered in DIR/tidied.csv. With
    --archive the runs go into one file in DIR/archive, which find, trace, log and verify still
    read.
    """
    workspace, clock, fs = Workspace(folder.resolve()), Clock(), Fs()
    expect_workspace(workspace)
    ledger = ledger_of(workspace)
    spec, state = load_service(workspace.service_file), "returned" if returned else "done"
    listed, going = 0, []
    for each in candidates(workspace, ledger, spec, clock, days=days, state=state):
        listed += 1
        line = f"{each.row.run}  {each.row.job}  {shown(each.row.name)}  {each.size:,} bytes"
        kept = each.kept or (differs(workspace, each) if accepted_by else "")
        if kept:
            click.echo(f"stays    {line}: {shown(kept)}")
            continue
        going.append(each)
        if accepted_by and not pack:
            remove(workspace, fs, clock, each, accepted_by)
        verb = ("archived" if pack else "removed") if accepted_by else "may go"
        click.echo(f"{verb}  {line}")
    made = archive(workspace, fs, clock, going, accepted_by) if accepted_by and pack else []
    if accepted_by:
        drop_histories(workspace, fs, ledger)
    ledger.close()
    size = sum(each.size for each in going)
    if accepted_by:
        verb = "archived" if pack else "removed"
        where = workspace.root / LIST
        click.echo(f"{len(going):,} of {listed:,} runs {verb}, {size:,} bytes; entered in {where}")
        for path in made:
            click.echo(f"{path}: {path.stat().st_size:,} bytes")
    else:
        click.echo(
            f"{len(going):,} of {listed:,} runs may go, {size:,} bytes; nothing was removed."
        )
        click.echo("Repeat with --accepted-by NAME once someone else has accepted the results.")

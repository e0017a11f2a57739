"""`deckwright restore`: put an earlier generation of a master back."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.listing import FOLDER
from deckwright.cli.shared.operate import operate_all
from deckwright.service.operate.control import Request
from deckwright.service.system.places import Workspace
from deckwright.service.system.standing import expect_workspace


@click.command(name="restore")
@FOLDER
@click.argument("name")
@click.argument("generation", type=click.IntRange(min=0))
@click.option("--by", required=True, metavar="NAME", help="Who asks for it.")
@click.option("--reason", required=True, metavar="TEXT", help="Why it comes back.")
def command(folder: Path, name: str, generation: int, by: str, reason: str) -> None:
    """Put a GENERATION of the master NAME back, in the workspace DIR.

    It becomes a new generation with the old bytes, and the next run meets it; nothing is removed.
    Who asked and why is kept. Refused while a run reads the master. `deckwright generations` lists
    them. Runs that went into the later generations are not undone: requeue their decks.
    """
    workspace = Workspace(folder.resolve())
    expect_workspace(workspace)
    operate_all(
        workspace, [Request(wish="restore", what=f"{name}/{generation}", by=by, why=reason)]
    )

"""`deckwright hold`: take a waiting deck, or a whole job, aside until it is resumed."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.completing import complete_jobs
from deckwright.cli.shared.listing import FOLDER
from deckwright.cli.shared.operate import operate


@click.command(name="hold")
@FOLDER
@click.argument("what", metavar="RUN_DECK_OR_JOB", shell_complete=complete_jobs)
def command(folder: Path, what: str) -> None:
    """Hold a waiting deck, or a whole job, until it is resumed.

    DIR is the workspace. Name a job, a run, the beginning of its name, or its deck.
    """
    operate(folder, "hold", what)

"""`deckwright resume`: let a held deck or job go on."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.completing import complete_jobs
from deckwright.cli.shared.listing import FOLDER
from deckwright.cli.shared.operate import operate


@click.command(name="resume")
@FOLDER
@click.argument("what", metavar="RUN_DECK_OR_JOB", shell_complete=complete_jobs)
def command(folder: Path, what: str) -> None:
    """Let a held deck or job go on.

    DIR is the workspace. Name a job, a run, the beginning of its name, or its deck.
    """
    operate(folder, "resume", what)

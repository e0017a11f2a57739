"""`deckwright acknowledge`: note who knows that a finished deck has other bytes than were run."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.listing import FOLDER
from deckwright.cli.shared.operate import operate


@click.command(name="acknowledge")
@FOLDER
@click.argument("run", metavar="RUN")
@click.option("--by", required=True, metavar="NAME", help="Who has looked at it.")
@click.option(
    "--reason", required=True, metavar="TEXT", help="What was found, and why it may stay."
)
def command(folder: Path, run: str, by: str, reason: str) -> None:
    """Note that bytes came late to the deck of a finished RUN, and who knows of it.

    Also for a deck of which a later one is the rest. DIR is the workspace. `deckwright verify` then
    no longer counts the deck as it is now as a difference. Name and reason are kept in the run's
    folder.
    """
    operate(folder, "acknowledge", run, by, reason)

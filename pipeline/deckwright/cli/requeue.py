"""`deckwright requeue`: run the deck of an ended run once more; the ended run stays as it is."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.operate import FOLDER, operate


@click.command(name="requeue")
@FOLDER
@click.argument("what", metavar="RUN")
def command(folder: Path, what: str) -> None:
    """Run the deck of an ended run once more; the ended run stays as it is.

    DIR is the workspace; `deckwright status DIR` names its runs and jobs.
    """
    operate(folder, "requeue", what)

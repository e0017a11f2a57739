"""`deckwright trace`: the history of one card."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.archived import readable_run
from deckwright.cli.shared.paths import PATH
from deckwright.journal.reader import Journal
from deckwright.journal.trace import trace


@click.command(name="trace")
@click.argument("run", type=PATH)
@click.argument("card", type=click.IntRange(1), required=False)
@click.option("--deck", metavar="NAME",
              help="Deck in which CARD is counted, where the run has several.")  # fmt: skip
@click.option("--output", metavar="FILE", help="An output of the run, to go back from.")
@click.option("--line", type=click.IntRange(1), help="Line of that output, headings counted.")
def command(
    run: Path, card: int | None, deck: str | None, output: str | None, line: int | None
) -> None:
    """Tell what happened to CARD in the run folder RUN, one line a stage.

    With --output and --line, tell which card stands in that line of an output, and its history.
    """
    with readable_run(run) as folder:
        _tell(Journal(folder), card, deck, output, line)


def _tell(
    journal: Journal, card: int | None, deck: str | None, output: str | None, line: int | None
) -> None:
    if output is not None and line is not None and card is None:
        card = journal.output_card(output, line)
    elif card is None or output is not None or line is not None:
        msg = "give either a card number, or --output FILE with --line N"
        raise click.UsageError(msg)
    elif deck is not None:
        card = journal.card_in(deck, card)
    for told in trace(journal, card):
        click.echo(told)

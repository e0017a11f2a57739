"""`deckwright journal`: the journal of a run as JSON lines."""

from __future__ import annotations

import json
from pathlib import Path

import click

from deckwright.cli.archived import readable_run
from deckwright.journal.events import events
from deckwright.journal.reader import Journal


@click.command(name="journal")
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--stage", type=click.IntRange(1), help="Only this stage, by its number.")
@click.option("--card", type=click.IntRange(1), help="Only this card.")
@click.option("--field", default="", help="Only events that concern this field.")
@click.option("--reason", default="", help="Only events with this reason.")
def command(run: Path, stage: int | None, card: int | None, field: str, reason: str) -> None:
    """Print what happened to the cards of the run folder RUN, one JSON object a line."""
    with readable_run(run) as folder:
        for event in events(Journal(folder), card=card, stage=stage, field=field, reason=reason):
            click.echo(json.dumps(event, ensure_ascii=False))

"""`deckwright journal`: the journal of a run as JSON lines."""

from __future__ import annotations

import contextlib
import json
from itertools import islice
from pathlib import Path

import click

from deckwright.cli.shared.archived import readable_run
from deckwright.cli.shared.completing import first_argument
from deckwright.cli.shared.paths import PATH
from deckwright.errors import DeckwrightError
from deckwright.journal.events import events
from deckwright.journal.logfile import card_events
from deckwright.journal.reader import Journal
from deckwright.wording import nearest, plural

_LOOKED_AT = 10_000


def _complete(ctx: click.Context, parameter: click.Parameter, start: str) -> list[str]:
    """Return the reasons or fields of the run's journal that begin so."""
    run = first_argument(ctx)
    if run is None:
        return []
    with contextlib.suppress(DeckwrightError, OSError), readable_run(run) as folder:
        known = _fields if parameter.name == "field" else _reasons
        return [name for name in known(Journal(folder)) if name.startswith(start)]
    return []


@click.command(name="journal")
@click.argument("run", type=PATH)
@click.option(
    "--stage", type=click.IntRange(1), metavar="N", help="Only this stage, by its number."
)
@click.option("--card", type=click.IntRange(1), metavar="N", help="Only this card.")
@click.option("--field", default="", metavar="FIELD", shell_complete=_complete,
              help="Only events that concern this field.")  # fmt: skip
@click.option("--reason", default="", metavar="REASON", shell_complete=_complete,
              help="Only events with this reason.")  # fmt: skip
def command(run: Path, stage: int | None, card: int | None, field: str, reason: str) -> None:
    """Print what happened to the cards of the run folder RUN, one JSON object a line."""
    with readable_run(run) as folder:
        journal, told = Journal(folder), False
        found = events(journal, card=card, stage=stage, field=field, reason=reason)
        for event in card_events(journal, found):
            click.echo(json.dumps(event, ensure_ascii=False))
            told = True
        if not told:
            click.echo(f"deckwright: {_nothing(journal, stage, card, field, reason)}", err=True)


def _nothing(journal: Journal, stage: int | None, card: int | None, field: str, reason: str) -> str:
    """Return why nothing was printed, and what there is."""
    reasons, fields = _reasons(journal), _fields(journal)
    if stage is not None and stage not in journal.stages:
        stages = (f"{number} {found['kind']}" for number, found in sorted(journal.stages.items()))
        return f"there is no stage {stage}; there are: {', '.join(stages)}"
    if card is not None and card > journal.count:
        return f"there is no card {card:,}; the run has {plural(journal.count, 'card')}"
    if reason and reason not in reasons:
        return f"no card of this run has the reason {reason!r}; {nearest(reason, reasons)}"
    if field and field not in fields:
        return f"no event of this run concerns a field {field!r}; {nearest(field, fields)}"
    which = "these cards" if card or stage or field or reason else "any card"
    return f"nothing happened to {which} that the journal tells"


def _reasons(journal: Journal) -> list[str]:
    return sorted(filter(None, journal.entries["reason"].unique().to_list()))


def _fields(journal: Journal) -> list[str]:
    """Return the fields that entries name or stages changed."""
    named = filter(None, journal.entries["field"].unique().to_list())
    seen = islice(events(journal), _LOOKED_AT)
    return sorted({*named, *(name for event in seen for name in event.get("fields", {}))})

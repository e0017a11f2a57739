"""The page of a run that was stopped: what failed, the first failed cards, the way out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from deckwright.report.drawing.cardview import card_view
from deckwright.report.figures import CROSS
from deckwright.report.html import drawn, page
from deckwright.report.model import CardLine, FaultPlaces, ReasonLine
from deckwright.report.pages.faultplots import column_plot


@dataclass(frozen=True, slots=True)
class FailedRun:
    """A run that was stopped.

    Attributes:
        title: of the job.
        decks: their names.
        sentence: what happened.
        hint: what would help.
        job: file name of the job.
        stage: the stage whose limit was passed, in words.
        failed: cards that failed, as far as the run came.
        reasons: why cards failed, as far as the run came.
        cards: some that failed.
        places: where faults gather.
    """

    title: str
    decks: Sequence[str]
    sentence: str
    hint: str
    job: str
    stage: str
    failed: int
    reasons: Sequence[ReasonLine]
    cards: Sequence[CardLine]
    places: FaultPlaces


def failed_page(run: FailedRun) -> str:
    """Return the page as HTML that needs no other file and no script."""
    return page(
        "failed.html",
        "Stopped run",
        run.title,
        run=run,
        sign=drawn(CROSS),
        says=f"This run was stopped. {run.sentence[:1].upper()}{run.sentence[1:]}.",
        hint=f"{run.hint[:1].upper()}{run.hint[1:]}",
        reasons=sorted(run.reasons, key=lambda reason: -reason.count),
        columns=column_plot(run.places),
        cards=[
            card_view(card, f"card{place}")
            for place, card in enumerate(sorted(run.cards, key=lambda one: one.card), 1)
        ],
    )

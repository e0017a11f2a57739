"""The fields of the cards of one type, each with how likely it begins and ends just there."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.candidates import figure_names, spans_of
from deckwright.examine.fields.columnfigures import ColumnFigures, figures_of
from deckwright.examine.fields.datespans import DateSpan, date_spans
from deckwright.examine.fields.signs import sign_table
from deckwright.examine.fields.weighing import best, scores_of, weigh

CARDS = 1_000
"""Cards from which fields are weighed; what they are is then told from all that are looked at."""


@dataclass(frozen=True, slots=True)
class FieldSpan:
    """Columns from 0, both included. sure: of all divisions of the card, by weight, those with it.

    date: where it holds dates.
    """

    first: int
    last: int
    sure: float
    date: DateSpan | None = None

    @property
    def width(self) -> int:
        """Number of columns."""
        return self.last - self.first + 1


def find_fields(
    text: NDArray[np.uint8],
    kinds: NDArray[np.uint8],
    known: Sequence[tuple[int, int]] = (),
) -> list[FieldSpan]:
    """Return the division of the columns that weighs most, from the left.

    Args:
        text: uint8 (n, L), internal bytes of cards of one type.
        kinds: uint8 (256), class of each internal byte.
        known: spans (from 0) of numbers that run on or have a check digit.
    """
    rows = np.linspace(0, len(text) - 1, min(CARDS, len(text))).astype(int)
    figures = figures_of(text[rows], sign_table(kinds))
    dates = date_spans(figures)
    return _divided(figures, dates, known)


def _divided(
    figures: ColumnFigures,
    dates: Mapping[tuple[int, int], DateSpan],
    known: Sequence[tuple[int, int]],
) -> list[FieldSpan]:
    spans = spans_of(figures, {span: date.sure for span, date in dates.items()}, known)
    # what was counted stands
    cut = np.zeros(len(spans.first), np.bool_)
    for first, last in known:
        crosses = (spans.first <= last) & (spans.last >= first)
        cut |= crosses & ((spans.first != first) | (spans.last != last))
    scores = scores_of(spans, weights())
    scores[cut] = -np.inf
    chance = weigh(spans, scores, figures.width).chance
    found = []
    for place in best(spans, scores, figures.width):
        span = int(spans.first[place]), int(spans.last[place])
        found.append(FieldSpan(*span, float(min(1.0, chance[place])), dates.get(span)))
    return found


@lru_cache(maxsize=1)
def weights() -> NDArray[np.float32]:
    """Return float32 (f): what each figure of a span weighs, as learnt from invented decks."""
    packaged = files("deckwright.examine.fields") / "weights.json"
    table: dict[str, float] = json.loads(packaged.read_text(encoding="utf-8"))["weights"]
    return np.array([table[name] for name in figure_names()], np.float32)

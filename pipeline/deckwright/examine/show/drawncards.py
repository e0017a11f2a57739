"""Cards to be drawn: the first, the last, and those that are least like their columns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable
from deckwright.examine.count.sampling import Sample
from deckwright.examine.guess.columns import BLANK, Look
from deckwright.examine.guess.measuring import spans_of
from deckwright.examine.model import DrawnCard
from deckwright.report.drawing.cards import COLUMNS
from deckwright.report.model import Mark
from deckwright.wording import plural

_ODDEST = 3
_MARKS = 4
_LEAST_BITS = 7.0
_OPEN_BITS = 3.6  # a column of names or numbers surprises nobody


def drawn_cards(
    sample: Sample, looks: Sequence[tuple[Look, NDArray[np.bool_]]], code: CodeTable
) -> list[DrawnCard]:
    """Return the first, the last and the oddest cards of a sample.

    Args:
        sample: data cards.
        looks: the cards of each type, and bool (n), which of the sample they are.
        code: what reads them.
    """
    if not len(sample.text):
        return []
    rows: list[tuple[int, str, tuple[Mark, ...]]] = [(0, "first card of data", ())]
    if len(sample.text) > 1:
        last = "last card of data" if sample.whole else "last card that was looked at"
        rows.append((len(sample.text) - 1, last, ()))
    odd = _oddest(sample, looks)
    rows += [(row, "least like the columns of its type", marks) for row, marks in odd]
    return [_drawn(sample, row, why, marks, code) for row, why, marks in rows]


def _oddest(
    sample: Sample, looks: Sequence[tuple[Look, NDArray[np.bool_]]]
) -> list[tuple[int, tuple[Mark, ...]]]:
    surprise = np.zeros(len(sample.text))
    marks: dict[int, tuple[Mark, ...]] = {}
    for look, which in looks:
        if not look.count:
            continue
        bits = _bits(look)
        total = np.zeros(look.count, np.float32)
        for column in range(look.width):
            total += bits[column][look.columns[column]]
        rows = np.flatnonzero(which)
        surprise[rows] = total
        for place in np.argsort(-total, kind="stable")[:_ODDEST]:
            marks[int(rows[place])] = _marks(look, int(place), bits)
    order = np.argsort(-surprise, kind="stable")[:_ODDEST].tolist()
    return [(row, marks[row]) for row in order if surprise[row] > 0 and marks.get(row)]


def _bits(look: Look) -> NDArray[np.float32]:
    """Return float (L, 256): how many bits each value surprises beyond its column's usual."""
    shares = (look.values + 0.5) / (look.count + 128)
    bits = -np.log2(shares)
    usual = (look.values / max(1, look.count) * bits).sum(axis=1)
    steady = np.clip(1.2 - usual / _OPEN_BITS, 0.05, 1.0)
    weighed: NDArray[np.float32] = ((bits - usual[:, None]) * steady[:, None]).astype(np.float32)
    return weighed


def _marks(look: Look, row: int, bits: NDArray[np.float32]) -> tuple[Mark, ...]:
    cells = look.text[row]
    each = bits[np.arange(look.width), cells]
    worst = np.argsort(-each, kind="stable")[: 4 * _MARKS]
    columns = sorted(int(column) for column in worst if each[column] >= _LEAST_BITS)
    return tuple(_mark(look, cells, first, last) for first, last in spans_of(columns)[:_MARKS])


def _mark(look: Look, cells: NDArray[np.uint8], first: int, last: int) -> Mark:
    counts = [int(look.values[column, cells[column]]) for column in range(first, last + 1)]
    said = "a blank is rare" if (cells[first : last + 1] == BLANK).all() else "rare"
    where = "here" if first == last else "in one of these columns"
    sentence = f"{said} {where}: {min(counts):,} of {plural(look.count, 'card')}"
    return first + 1, last + 1, sentence


def _drawn(sample: Sample, row: int, why: str, marks: Sequence[Mark], code: CodeTable) -> DrawnCard:
    text = sample.text[row]
    patterns: NDArray[np.uint16] | None = None
    if len(text) <= COLUMNS and (sample.holes is not None or code.to_holes is not None):
        patterns = np.zeros(COLUMNS, np.uint16)
        if sample.holes is not None:
            patterns[: len(text)] = sample.holes[row]
        elif code.to_holes is not None:
            known = np.where(code.to_holes >= 0, code.to_holes, 0).astype(np.uint16)
            patterns[: len(text)] = known[text]
    said = code.alphabet.decode(text.tobytes())
    return DrawnCard(int(sample.cards[row]), why, said, patterns, tuple(marks))

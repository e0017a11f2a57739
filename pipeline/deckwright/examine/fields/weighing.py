"""The weights of spans, and what whole divisions of the columns say about each span."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.candidates import Spans
from deckwright.examine.fields.columnfigures import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Spans weighed against each other.

    chance: float (k), share of all divisions, by weight, that have the span. log: logarithm of the
    weight of all divisions.
    """

    chance: Floats
    log: float


def weigh(spans: Spans, scores: Floats, width: int) -> Weighed:
    """Weigh every division of the columns into spans; a division weighs exp of its scores' sum.

    Args:
        spans: by their first column.
        scores: float (k), logarithms of weights.
        width: number of columns.
    """
    starts = np.searchsorted(spans.first, np.arange(width + 1))
    ahead = np.full(width + 1, -np.inf)
    ahead[0] = 0.0
    for column in range(width):
        part = slice(starts[column], starts[column + 1])
        ends = spans.last[part] + 1
        ahead[ends] = np.logaddexp(ahead[ends], ahead[column] + scores[part])
    behind = np.full(width + 1, -np.inf)
    behind[width] = 0.0
    for column in range(width - 1, -1, -1):
        part = slice(starts[column], starts[column + 1])
        behind[column] = np.logaddexp.reduce(scores[part] + behind[spans.last[part] + 1])
    log = float(ahead[width])
    if not np.isfinite(log):
        return Weighed(np.zeros(len(scores)), log)
    chance = np.exp(ahead[spans.first] + scores + behind[spans.last + 1] - log)
    return Weighed(chance, log)


def best(spans: Spans, scores: Floats, width: int) -> list[int]:
    """Return the division of the greatest weight: places of its spans, from the left."""
    starts = np.searchsorted(spans.first, np.arange(width + 1))
    most = np.full(width + 1, -np.inf)
    most[width] = 0.0
    chosen = np.zeros(width, np.intp)
    for column in range(width - 1, -1, -1):
        part = slice(starts[column], starts[column + 1])
        sums = scores[part] + most[spans.last[part] + 1]
        place = int(sums.argmax())
        most[column], chosen[column] = sums[place], starts[column] + place
    found = []
    column = 0
    while column < width:
        found.append(int(chosen[column]))
        column = int(spans.last[chosen[column]]) + 1
    return found


def scores_of(spans: Spans, weights: NDArray[np.float32]) -> Floats:
    """Return float (k): the score of each span."""
    scores: Floats = (spans.figures @ weights).astype(np.float64)
    return scores

"""Columns that are as others a fixed way on: fields that come again along the card."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.columnfigures import ColumnFigures, Floats

_PERIODS = range(2, 61)
_ALIKE = 0.12


def repeats(figures: ColumnFigures) -> NDArray[np.intp]:
    """Return int (periods, L): how many columns from each on are as those a period behind."""
    width = figures.width
    apart = np.abs(figures.shares[:, None] - figures.shares[None]).sum(axis=2) / 2
    apart += np.abs(figures.bits[:, None] - figures.bits[None]) / 8
    alike = apart < _ALIKE + 1 / np.sqrt(max(1, figures.count))
    runs = np.zeros((len(_PERIODS) + 2, width + 1), np.intp)
    for period in range(1, len(_PERIODS) + 2):
        for column in range(width - period - 1, -1, -1):
            if alike[column, column + period]:
                runs[period, column] = runs[period, column + 1] + 1
    return runs


def copies_of(runs: NDArray[np.intp], first: int, widest: int) -> tuple[Floats, Floats, Floats]:
    """Return how often spans repeat: side by side, within a larger group, and with a rest.

    Each float (w), logarithms of the number of copies, at most 8, divided by 3.
    """
    tight, apart, odd = np.zeros(widest), np.zeros(widest), np.zeros(widest)
    for width in range(1, min(widest, len(runs) - 2) + 1):
        run = int(runs[width, first])
        back = 0
        while first - (back + 1) * width >= 0 and runs[width, first - (back + 1) * width] >= width:
            back += 1
        tight[width - 1] = run // width + back
        odd[width - 1] = run % width > 0 and run // width + back > 0
        best = 0
        for period in range(width + 1, min(len(runs) - 1, 24)):
            run = int(runs[period, first])
            copies = (run + period - width) // period if run >= width else 0
            best = max(best, copies)
        apart[width - 1] = best
    return np.log2(1 + np.minimum(tight, 7)) / 3, np.log2(1 + np.minimum(apart, 7)) / 3, odd

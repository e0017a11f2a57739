"""What stood in columns at fault, where some hold holes that are no character of the code."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codetable import ILLEGAL, CodeTable
from deckwright.cards.holes import pattern_names

NOT_READ = "\ufffd"
"""Stands for a column that was not read, and for a byte that the code does not define."""


def spelled_out(
    text: NDArray[np.uint8], holes: NDArray[np.uint16], code: CodeTable
) -> list[str] | None:
    """Return columns (n, w) as text with the holes of each that is no character: `12[0-1-2]4`.

    None where every column is a character, so that the text says all.

    Args:
        text: internal bytes; a column that is no character stands there as byte 0x1A.
        holes: patterns; none in a column that was not read.
        code: what the patterns stand for.
    """
    odd = text == ILLEGAL
    unread = odd & (holes == 0)
    if code.from_holes is not None and not code.parts:
        meant = code.from_holes[holes]
        odd &= meant != ILLEGAL
        unread |= odd & (meant >= 0)
    if not odd.any():
        return None
    known = np.array([each or NOT_READ for each in code.alphabet.characters], object)
    columns = []
    for column in range(text.shape[1]):
        said = known[text[:, column]]
        places = np.flatnonzero(odd[:, column])
        if places.size:
            said[places] = np.char.add(np.char.add("[", pattern_names(holes[places, column])), "]")
            said[unread[:, column]] = NOT_READ
        columns.append(pl.Series(str(column), said, pl.String))
    return pl.DataFrame(columns).select(pl.concat_str(pl.all())).to_series().to_list()

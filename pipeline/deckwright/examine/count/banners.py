"""Cards that are no data: separators, control cards, letters made of holes.

Common practice, no source: such cards are told by one sign all over, by `//` or `/*` in columns 1
and 2, or by more holes than any character has.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.count.classes import Cells
from deckwright.examine.model import ILLEGAL, MULTI

_EIGHT = np.uint64(0x0101010101010101)
_BLANKS = np.uint64(0x2020202020202020)
_WORD = 8
_SIGNS = 20  # columns that one sign must fill
_ONLY = 0.9  # and this part of what is punched
_MANY_HOLES = 240  # of the 960 places; a card full of letters has 160
_STARTS = (b"//", b"/*")


@dataclass(frozen=True, slots=True)
class Banner:
    """Cards that are no data. rows: int (k), places in the tray."""

    reason: str
    sentence: str
    rows: NDArray[np.intp]


def banners(
    text: NDArray[np.uint8],
    holes: NDArray[np.uint16] | None,
    cells: Cells,
    data: NDArray[np.bool_],
) -> Iterator[Banner]:
    """Yield cards of a tray, text (n, L) and holes (n, L), that are banners; each card once."""
    left = data.copy()
    for banner in (_lace(holes, cells), _control(text), _separators(text)):
        rows = banner.rows[left[banner.rows]]
        left[rows] = False
        if rows.size:
            yield Banner(banner.reason, banner.sentence, rows)


def _separators(text: NDArray[np.uint8]) -> Banner:
    """Return cards of one sign, by eight-byte words that hold one byte eight times."""
    sentence = f"one sign fills {_SIGNS} columns or more, and hardly anything else is punched"
    count, width = text.shape
    words = width // _WORD
    if not words or not text.flags.c_contiguous:
        return Banner("separator", sentence, np.zeros(0, np.intp))
    view = np.ndarray((count, words), "<u8", text, 0, (width, _WORD))
    same = view == (view & np.uint64(0xFF)) * _EIGHT
    same &= view != _BLANKS
    rows = np.flatnonzero(same.any(axis=1))
    return Banner("separator", sentence, rows[_of_one_sign(text[rows])])


def _of_one_sign(text: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return bool (k): rows of text (k, L) that one sign, no digit, fills."""
    if not len(text):
        return np.zeros(0, np.bool_)
    filled = text != 32  # noqa: PLR2004 # blank
    ordered = np.sort(np.where(filled, text, 255), axis=1)
    counts = filled.sum(axis=1)
    sign = ordered[np.arange(len(text)), np.maximum(0, counts // 2)]
    alike = (text == sign[:, None]).sum(axis=1)
    digit = (sign >= 48) & (sign < 58)  # noqa: PLR2004
    found: NDArray[np.bool_] = (alike >= _SIGNS) & (alike >= _ONLY * counts) & ~digit
    return found


def _control(text: NDArray[np.uint8]) -> Banner:
    sentence = "columns 1 and 2 hold // or /*, as cards for a computer's operating system do"
    if text.shape[1] < 2:  # noqa: PLR2004 # columns
        return Banner("control-card", sentence, np.zeros(0, np.intp))
    start = text[:, 0].astype(np.uint16) << 8 | text[:, 1]
    found = np.isin(start, [int.from_bytes(mark, "big") for mark in _STARTS])
    return Banner("control-card", sentence, np.flatnonzero(found))


def _lace(holes: NDArray[np.uint16] | None, cells: Cells) -> Banner:
    sentence = f"{_MANY_HOLES} of the 960 places or more are punched, more than text ever needs"
    if holes is None:
        return Banner("banner", sentence, np.zeros(0, np.intp))
    strange = (cells.classes == MULTI) | (cells.classes == ILLEGAL)
    # few cards have many strange columns, so holes are counted on those alone
    rows = np.flatnonzero(strange[holes].sum(axis=1) >= holes.shape[1] // 8)
    many = np.bitwise_count(holes[rows]).sum(axis=1, dtype=np.int64) >= _MANY_HOLES
    return Banner("banner", sentence, rows[many])

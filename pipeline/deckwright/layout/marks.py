"""Columns that hold no character of the code: illegal patterns and undefined characters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.failures import Reason
from deckwright.layout.words import Bytes, Places

ILLEGAL = 0x1A
"""The internal byte that stands for a pattern which is no character."""


NO_ROWS: Places = np.zeros(0, np.intp)

_BLOCK = 1 << 17


@dataclass(frozen=True, slots=True)
class Marks:
    """Columns at fault. rows: places (k, ascending) of cards; hits: bool (k, L)."""

    reason: Reason
    rows: Places
    hits: NDArray[np.bool_]


def find_marks(
    text: Bytes,
    holes: NDArray[np.uint16] | None = None,
    legal: NDArray[np.bool_] | None = None,
    undefined: NDArray[np.bool_] | None = None,
) -> list[Marks]:
    """Return the columns of text (n, L) that hold no character, illegal patterns first.

    Args:
        text: internal bytes, C-contiguous; an illegal pattern stands there as byte 0x1A.
        holes: uint16 (n, L), patterns.
        legal: bool (4096), patterns that are a character.
        undefined: bool (256), internal bytes without a character.
    """
    found = []
    if holes is not None and legal is not None:
        illegal = _illegal(text, holes, legal)
        if illegal is not None:
            found.append(illegal)
    if undefined is not None and text.size:
        gaps = _undefined(text, undefined)
        if gaps is not None:
            found.append(gaps)
    return found


def _illegal(text: Bytes, holes: NDArray[np.uint16], legal: NDArray[np.bool_]) -> Marks | None:
    rows = _rows_within(text, ILLEGAL, ILLEGAL)
    if not rows.size:
        return None
    patterns = holes[rows]
    hits = ~legal[np.minimum(patterns, len(legal) - 1)]
    hits &= text[rows] == ILLEGAL
    return _marked(Reason.ILLEGAL_PATTERN, rows, hits)


def _undefined(text: Bytes, undefined: NDArray[np.bool_]) -> Marks | None:
    if text.size <= _BLOCK and not undefined[text].any():
        return None
    low, high = int(text.min()), int(text.max())
    found = [NO_ROWS]
    for first, last in _runs(undefined):
        if first <= high and last >= low:
            found.append(_rows_within(text, first, last))
    rows = np.unique(np.concatenate(found))
    if not rows.size:
        return None
    return _marked(Reason.UNDEFINED_CHARACTER, rows, undefined[text[rows]])


def _rows_within(text: Bytes, first: int, last: int) -> Places:
    """Return the rows of text (n, L) that hold a byte between first and last, ascending."""
    flat = text.reshape(-1)
    below = np.empty(_BLOCK, np.uint8)
    within = np.empty(_BLOCK, np.bool_)
    found = [NO_ROWS]
    for start in range(0, len(flat), _BLOCK):
        # in blocks that stay in the processor's cache; what lies below the run wraps round
        part = flat[start : start + _BLOCK]
        size = len(part)
        np.subtract(part, np.uint8(first), out=below[:size])
        np.less_equal(below[:size], np.uint8(last - first), out=within[:size])
        if within[:size].any():
            found.append((np.flatnonzero(within[:size]) + start) // text.shape[1])
    return np.unique(np.concatenate(found))


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) of every run of true flags."""
    edges = np.flatnonzero(np.diff(flags, prepend=False, append=False))
    return [(int(first), int(after) - 1) for first, after in edges.reshape(-1, 2)]


def _marked(reason: Reason, rows: Places, hits: NDArray[np.bool_]) -> Marks | None:
    some = hits.any(axis=1)
    return Marks(reason, rows[some], hits[some]) if some.any() else None

"""Columns that hold no character of the code: illegal patterns and undefined characters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.failures import Reason
from deckwright.layout.words import Bytes, Places

ILLEGAL = 0x1A
"""The internal byte that stands for a pattern which is no character."""


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
    suspects = text == ILLEGAL
    if not suspects.any():
        return None
    rows = np.unique(np.flatnonzero(suspects) // text.shape[1])
    patterns = holes[rows]
    hits = ~legal[np.minimum(patterns, len(legal) - 1)] & suspects[rows, : patterns.shape[1]]
    return _marked(Reason.ILLEGAL_PATTERN, rows, hits)


def _undefined(text: Bytes, undefined: NDArray[np.bool_]) -> Marks | None:
    low, high = int(text.min()), int(text.max())
    gaps = [(max(first, low), min(last, high)) for first, last in _runs(undefined)]
    gaps = [(first, last) for first, last in gaps if first <= last]
    rows: list[Places] = []
    for first, last in gaps:
        # one comparison finds a run, since what lies below it wraps round
        suspects = (text - np.uint8(first)) <= np.uint8(last - first)
        if suspects.any():
            rows.append(np.flatnonzero(suspects) // text.shape[1])
    if not rows:
        return None
    places = np.unique(np.concatenate(rows))
    return _marked(Reason.UNDEFINED_CHARACTER, places, undefined[text[places]])


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) of every run of true flags."""
    edges = np.flatnonzero(np.diff(flags, prepend=False, append=False))
    return [(int(first), int(after) - 1) for first, after in edges.reshape(-1, 2)]


def _marked(reason: Reason, rows: Places, hits: NDArray[np.bool_]) -> Marks | None:
    some = hits.any(axis=1)
    return Marks(reason, rows[some], hits[some]) if some.any() else None

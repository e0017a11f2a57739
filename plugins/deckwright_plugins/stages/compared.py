"""Comparing the fields of a new card with the values that were to be punched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deckwright import Values

_BLANK, _ZERO = 32, 48


def differs(wanted: Values, found: Values) -> NDArray[np.bool_]:
    """Return bool (n): cards whose new field does not read as the value that was to stand there."""
    apart: NDArray[np.bool_] = wanted.present() != found.present()
    old, new = wanted.data, found.data
    if old.ndim > 1:
        width = max(old.shape[1], new.shape[1])
        old, new = _text_cells(old, width), _text_cells(new, width)
        rows = np.flatnonzero((old != new).any(axis=1))
        apart &= _not_blank(wanted)
        apart[rows] = ~_same_text(old[rows], new[rows])
        return apart
    return np.asarray(apart | ((old != new) & wanted.present()))


def _text_cells(data: NDArray[np.generic], width: int) -> NDArray[np.uint8]:
    cells = np.full((len(data), width), _BLANK, np.uint8)
    cells[:, : data.shape[1]] = data
    return cells


def _not_blank(values: Values) -> NDArray[np.bool_]:
    return np.asarray((values.data != _BLANK).any(axis=1))


def _same_text(old: NDArray[np.uint8], new: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return bool (n): texts (n, w) that differ only in the blanks and zeros that fill a field.

    Blanks may stand at either end of both, zeros only on the left of the new one.
    """
    old_cells, old_size = _against_right(old)
    new_cells, new_size = _against_right(new)
    width = old.shape[1]
    from_right = np.arange(width, 0, -1)
    in_old, in_new = from_right <= old_size[:, None], from_right <= new_size[:, None]
    fill = in_new & ~in_old & (new_cells == _ZERO)
    same = (in_old & in_new & (old_cells == new_cells)) | fill | ~(in_old | in_new)
    return np.asarray(same.all(axis=1))


def _against_right(cells: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.intp]]:
    """Return texts (n, w) moved to the right end, and their sizes (n) without blanks around."""
    count, width = cells.shape
    filled = cells != _BLANK
    first = filled.argmax(axis=1)
    behind = filled[:, ::-1].argmax(axis=1)
    some = filled.any(axis=1)
    places = (np.arange(width) - behind[:, None]) % max(1, width)
    moved = cells.reshape(-1)[places + np.arange(count)[:, None] * width]
    return moved, np.where(some, width - behind - first, 0)

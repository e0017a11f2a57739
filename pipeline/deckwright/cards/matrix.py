"""Fast cuts through the byte matrix of a tray."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Item = TypeVar("Item", bound=np.generic)
EIGHT_BLANKS = np.uint64(0x2020202020202020)


def cut(text: Bytes, first: int, last: int) -> Bytes:
    """Return columns first to last (from 1, both included) of text (n, L) as a contiguous (n, w).

    One copy of w bytes a row; several times faster than slicing narrow columns, since each row
    moves as one item.
    """
    count, width = text.shape
    wide = last - first + 1
    if count == 0 or width == 0 or not text.flags.c_contiguous:
        return np.ascontiguousarray(text[:, first - 1 : last])
    view = np.ndarray(
        (count,),
        dtype=f"V{wide}",
        buffer=text,
        offset=first - 1,
        strides=(width,),
    )
    return view.copy().view(np.uint8).reshape(count, wide)


def rows_of(text: NDArray[Item], rows: NDArray[np.integer]) -> NDArray[Item]:
    """Return these rows of a matrix (n, L), in this order, as a contiguous (k, L)."""
    count, width = text.shape
    if count == 0 or width == 0 or not text.flags.c_contiguous:
        return np.ascontiguousarray(text[rows])
    size = width * text.itemsize
    moved: NDArray[Item] = text.view(f"V{size}").reshape(count).take(rows).view(text.dtype)
    return moved.reshape(-1, width)


def blank_rows(text: Bytes) -> NDArray[np.bool_]:
    """Return bool (n): true where every column of text (n, L) is a blank (ASCII 32)."""
    count, width = text.shape
    words = width // 8 * 8
    blank = np.ones(count, np.bool_)
    if words and text.flags.c_contiguous:
        # the first word clears nearly every card, so the rest is looked at only where needed
        lead = np.ndarray((count,), "<u8", text, 0, (width,))
        blank = np.asarray(lead == EIGHT_BLANKS)
        rows = np.flatnonzero(blank)
        blank[rows] = (text[rows] == 32).all(axis=1)  # noqa: PLR2004
        return blank
    blank[:] = (text == 32).all(axis=1)  # noqa: PLR2004
    return blank

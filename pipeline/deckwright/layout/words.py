"""Columns of cards as machine words: up to eight columns of every card in one array.

A word holds its columns in reading order from the low to the high byte, the last column always in
the highest byte, so that numbers of any width are aligned at their units; bytes that belong to no
column are zero.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Words = NDArray[np.unsignedinteger[Any]]
Places = NDArray[np.intp]

BLANK = 32
"""ASCII number of the blank, in every alphabet."""

WORD = 8
"""Columns of the longest word."""

_HALF = 4
_ONES = 0x0101010101010101
_FEW = 8  # one card in so many is worth picking out


def steady(text: Bytes) -> Bytes:
    """Return text (n, L) as rows that follow each other in memory, at least a word long."""
    if text.shape[1] < WORD:
        wide = np.full((len(text), WORD), BLANK, np.uint8)
        wide[:, : text.shape[1]] = text
        return wide
    return np.ascontiguousarray(text)


def word_type(width: int) -> np.dtype[Any]:
    """Return the type of the words that hold so many columns, 1 to 8."""
    return np.dtype("<u4" if width <= _HALF else "<u8")


def spread(byte: int, width: int) -> np.unsignedinteger[Any]:
    """Return the word of this width that holds the byte in each of its columns."""
    word: np.unsignedinteger[Any] = word_type(width).type(_ONES * byte & _columns_mask(width))
    return word


def _columns_mask(width: int) -> int:
    size = word_type(width).itemsize
    every = (1 << 8 * size) - 1
    return every & ~((1 << 8 * (size - width)) - 1)


def packed(text: bytes) -> np.unsignedinteger[Any]:
    """Return the word that 1 to 8 characters make."""
    kind = word_type(len(text))
    shift = 8 * (kind.itemsize - len(text))
    word: np.unsignedinteger[Any] = kind.type(int.from_bytes(text, "little") << shift)
    return word


def words(text: Bytes, first: int, width: int) -> Words:
    """Return `width` columns (1 to 8) from column `first` (from 1) of steady text as words (n)."""
    count, length = text.shape
    kind = word_type(width)
    size = kind.itemsize
    last = first + width - 1
    offset = max(0, last - size)
    if count == 0:
        return np.zeros(0, kind)
    # an unaligned load of a whole word a row, never past the end of the row
    out: Words = np.ndarray((count,), kind, text, offset, (length,)).copy()
    if last < size:
        out <<= kind.type(8 * (size - last))
    if width < size:
        out &= kind.type(_columns_mask(width))
    return out


def chunks(first: int, width: int) -> list[tuple[int, int]]:
    """Return (first column, width) of the words that cover a field; all but the first are full."""
    lead = width % WORD or min(width, WORD)
    starts = range(first + lead, first + width, WORD)
    return [(first, lead), *((start, WORD) for start in starts)]


def cells_at(text: Bytes, rows: Places, first: int, last: int) -> Bytes:
    """Return columns first to last (from 1) of some rows of steady text as (k, w)."""
    count, length = text.shape
    width = last - first + 1
    if count == 0:
        return np.zeros((0, width), np.uint8)
    view = np.ndarray((count,), f"V{width}", text, first - 1, (length,))
    cells: Bytes = view[rows].view(np.uint8).reshape(len(rows), width)
    return cells


def cells_of(text: Bytes, first: int, width: int) -> Bytes:
    """Return `width` columns from column `first` (from 1) of steady text as a copy (n, width)."""
    count, length = text.shape
    if count == 0:
        return np.zeros((0, width), np.uint8)
    view = np.ndarray((count,), f"V{width}", text, first - 1, (length,))
    cells: Bytes = view.copy().view(np.uint8).reshape(count, width)
    return cells


def holds_text(text: Bytes, first: int, wanted: Bytes) -> NDArray[np.bool_]:
    """Return bool (n): true where `wanted` (w) stands in steady text from column `first` on."""
    same = np.ones(len(text), np.bool_)
    for start, width in chunks(first, len(wanted)):
        part = wanted[start - first : start - first + width].tobytes()
        same &= words(text, start, width) == packed(part)
    return same


def put_cells(text: Bytes, rows: Places | None, first: int, cells: Bytes) -> None:
    """Write cells (k, w) into text (n, L) from column `first` on, in some rows or in all."""
    width = cells.shape[1]
    if len(cells) == 0 or not text.flags.c_contiguous:
        text[slice(None) if rows is None else rows, first - 1 : first - 1 + width] = cells
        return
    view = np.ndarray((len(text),), f"V{width}", text, first - 1, (text.shape[1],))
    flat = np.ascontiguousarray(cells).view(f"V{width}").reshape(len(cells))
    if rows is None:
        view[:] = flat
    else:
        view[rows] = flat


def blank_fields(text: Bytes, first: int, width: int) -> NDArray[np.bool_]:
    """Return bool (n): true where the field of steady text is wholly blank."""
    parts = chunks(first, width)
    blank = np.ones(len(text), np.bool_)
    for start, wide in parts:
        blank &= words(text, start, wide) == spread(BLANK, wide)
        rows = np.flatnonzero(blank)
        if rows.size * _FEW < len(text):
            # the first columns clear most cards, so the rest is looked at only where needed
            rest = cells_at(text, rows, start, first + width - 1)
            blank[rows] = (np.ascontiguousarray(rest.T) == BLANK).all(axis=0)
            break
    return blank

"""Byte matrices as Polars columns."""

from __future__ import annotations

import nanoarrow as na
import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codetable import Alphabet
from deckwright.layout.digits import digit_number

_ASCII_END = 128
_MOST_DIGITS = 18
_TWO_TO_32 = 2**32


def text_column(matrix: NDArray[np.uint8], alphabet: Alphabet) -> pl.Series:
    """Return internal bytes (n, w) as strings of w characters, blanks kept.

    A byte that the code does not define shows as U+FFFD.
    """
    count, width = matrix.shape
    flat = np.ascontiguousarray(matrix).reshape(-1)
    offsets = np.arange(0, count * width + 1, max(width, 1), dtype=np.int64)
    if width == 0:
        offsets = np.zeros(count + 1, np.int64)
    if flat.size and int(flat.max()) >= _ASCII_END:
        sizes = np.array([len((c or "\ufffd").encode()) for c in alphabet.characters], np.int64)
        ends = np.concatenate([[0], np.cumsum(sizes[flat])])
        offsets = ends[offsets]
        flat = np.frombuffer(alphabet.decode(flat.tobytes()).encode(), np.uint8)
    return pl.Series(na.c_array_from_buffers(na.large_string(), count, [None, offsets, flat]))


def span_column(matrix: NDArray[np.uint8], alphabet: Alphabet) -> pl.Series:
    """Return a span of columns (n, w): as numbers where all are digits, as strings otherwise.

    Numbers are written several times faster; `span_texts` gives the leading zeros back.
    """
    if matrix.shape[1] <= _MOST_DIGITS:
        numbers, digits = digit_number(np.ascontiguousarray(matrix))
        if digits.all():
            small = not len(numbers) or int(numbers.max()) < _TWO_TO_32
            return pl.Series(numbers.astype(np.uint32) if small else numbers)
    return text_column(matrix, alphabet)


def span_texts(column: pl.Series, width: int) -> pl.Series:
    """Return a span of columns, as `span_column` holds it, as strings of w characters."""
    if column.dtype == pl.String:
        return column
    return column.cast(pl.String).str.zfill(width)


def with_gaps(column: pl.Series, rows: NDArray[np.integer], total: int) -> pl.Series:
    """Return a column (total) that holds `column` at these rows and null elsewhere."""
    places = np.full(total, -1, np.int64)
    places[rows] = np.arange(len(rows))
    index = pl.Series(places)
    return column.gather(index.set(index < 0, None))


def pl_cards(cards: NDArray[np.int64]) -> pl.DataFrame:
    """Return card numbers as a frame, in 32 bits where they fit."""
    small = not len(cards) or int(cards.max()) < 2**32
    return pl.DataFrame({"card": cards.astype(np.uint32) if small else cards})

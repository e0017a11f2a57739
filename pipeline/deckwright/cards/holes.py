"""Hole patterns: the twelve rows of a column as a number and as a name such as "12-0-9"."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

ROWS = (12, 11, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9)
"""The rows of a card from the top edge down."""

PATTERNS = 1 << len(ROWS)
"""How many patterns a column can hold: 4,096."""

_BITS = {row: 1 << (11 - place) for place, row in enumerate(ROWS)}
_ONE_OF = sum(_BITS[row] for row in range(1, 8))
# published tables name rows 9 and 8 before the digit that they modify: 12-9-8-3
_SPOKEN = (12, 11, 0, 9, 8, 1, 2, 3, 4, 5, 6, 7)


def row_bit(row: int) -> int:
    """Return the bit of a row: row 12 is 0x800, row 9 is 0x001.

    Raises:
        ValueError: a card has no such row.
    """
    if row not in _BITS:
        msg = f"a card has no row {row}; rows are 12, 11 and 0 to 9"
        raise ValueError(msg)
    return _BITS[row]


def pattern_of(rows: Iterable[int]) -> int:
    """Return the pattern with holes in these rows.

    Raises:
        ValueError: a card has no such row.
    """
    pattern = 0
    for row in rows:
        pattern |= row_bit(row)
    return pattern


def parse_pattern(name: str) -> int:
    """Return the pattern of a name such as "12-1" (0x900); "" and "blank" are no holes.

    Rows may stand in any order. Letters for rows are refused, since their use differs.

    Raises:
        ValueError: a part is not a row, or a row is named twice.
    """
    plain = name.strip()
    if plain in {"", "blank"}:
        return 0
    pattern = 0
    for part in plain.split("-"):
        bit = _BITS.get(int(part)) if part.isascii() and part.isdigit() else None
        if bit is None or str(int(part)) != part:
            msg = f"{part!r} in {name!r} is not a row; name the rows as in '12-0-9'"
            raise ValueError(msg)
        if pattern & bit:
            msg = f"row {part} stands twice in {name!r}"
            raise ValueError(msg)
        pattern |= bit
    return pattern


def format_pattern(pattern: int) -> str:
    """Return the name of a pattern: 0x900 is "12-1", no holes is "".

    A pattern with one hole at most in rows 1 to 7 is named as published tables do, with 9 and 8
    before that digit ("12-9-8-3"); any other is named from the top edge down ("12-1-2").

    Raises:
        ValueError: the number is not a pattern.
    """
    if not 0 <= pattern < PATTERNS:
        msg = f"{pattern} is not a pattern of twelve rows"
        raise ValueError(msg)
    order = _SPOKEN if (pattern & _ONE_OF).bit_count() <= 1 else ROWS
    return "-".join(str(row) for row in order if pattern & _BITS[row])


def pattern_names(patterns: NDArray[np.uint16]) -> NDArray[np.str_]:
    """Return the names of patterns, in an array of the same shape."""
    return _names()[patterns]


def count_holes(patterns: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return how many holes each pattern has, in an array of the same shape."""
    return np.bitwise_count(patterns)


def fits_eight_bit_rule(patterns: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Return where a pattern is one of the 256 of the 8-bit card code.

    Any of rows 12, 11, 0, 8, 9 and at most one of rows 1 to 7. Source: ISO 6586:1980 (excerpt).
    """
    fits: NDArray[np.bool_] = np.bitwise_count(patterns & np.uint16(_ONE_OF)) <= 1
    return fits


def spread_rows(patterns: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Return bool (..., 12): one place a row, from row 12 down to row 9."""
    bits = np.array([_BITS[row] for row in ROWS], np.uint16)
    rows: NDArray[np.bool_] = (patterns[..., None] & bits) != 0
    return rows


def gather_rows(rows: NDArray[np.bool_]) -> NDArray[np.uint16]:
    """Return the patterns of bool (..., 12), the reverse of `spread_rows`.

    Raises:
        ValueError: the last axis does not have twelve places.
    """
    if rows.shape[-1:] != (len(ROWS),):
        msg = f"an array of shape {rows.shape} does not end in twelve rows"
        raise ValueError(msg)
    bits = np.array([_BITS[row] for row in ROWS], np.uint16)
    patterns: NDArray[np.uint16] = (rows * bits).sum(axis=-1, dtype=np.uint16)
    return patterns


@lru_cache(maxsize=1)
def _names() -> NDArray[np.str_]:
    return np.array([format_pattern(pattern) for pattern in range(PATTERNS)])

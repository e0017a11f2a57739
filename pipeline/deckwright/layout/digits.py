"""Digits of many cards at a time: eight columns in one machine word.

The steps from eight digits to one number are the well known ones of "SIMD within a register"
(Lamport, Multiple byte processing with full-word instructions, Comm. ACM 18 (8), 1975):
neighbours are joined to pairs, pairs to fours, fours to the number.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.words import WORD, Bytes, Words, chunks, spread, steady, words

ZERO = 48
"""ASCII number of the digit 0, in every alphabet."""

MAX_DIGITS = 18
"""Digits of the longest number."""

_HALF = 4
_TEN_TO_8 = 10**8


def nibbles(text: Bytes, first: int, width: int) -> Words:
    """Return columns as words in which a digit stands as its value 0 to 9, see `words`."""
    out = words(text, first, width)
    out ^= spread(ZERO, width)
    return out


def not_digits(values: Words) -> Words:
    """Return words that are zero where every byte of `values` is 0 to 9."""
    kind = values.dtype.type
    size = values.dtype.itemsize
    # a byte up to 9 stays below 16 when 6 is added; `or` catches those that would wrap round
    out: Words = values + kind(0x0606060606060606 & ((1 << 8 * size) - 1))
    out |= values
    out &= kind(0xF0F0F0F0F0F0F0F0 & ((1 << 8 * size) - 1))
    return out


def number_of(values: Words) -> Words:
    """Return the numbers (n) that words of digit values make; writes over `values`."""
    kind = values.dtype.type
    values *= kind(10 * 2**8 + 1)
    values >>= kind(8)
    if values.dtype.itemsize == _HALF:
        values &= kind(0x00FF00FF)
        values *= kind(100 * 2**16 + 1)
        values >>= kind(16)
        return values
    values &= kind(0x00FF00FF00FF00FF)
    values *= kind(100 * 2**16 + 1)
    values >>= kind(16)
    values &= kind(0x0000FFFF0000FFFF)
    values *= kind(10_000 * 2**32 + 1)
    values >>= kind(32)
    return values


def joined(numbers: list[Words]) -> NDArray[np.uint64]:
    """Return the numbers (n) that follow each other in the chunks of a field as one."""
    whole: NDArray[np.uint64] = numbers[0].astype(np.uint64, copy=False)
    for number in numbers[1:]:
        whole *= np.uint64(_TEN_TO_8)
        whole += number
    return whole


def digit_number(text: Bytes) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """Return the numbers that texts of digits say.

    Args:
        text: uint8 (n, w), w up to 18; the values of a field of digits.

    Returns:
        uint64 (n), the numbers; bool (n), true where every column is a digit. A blank counts as 0
        in the number, so that right-justified digits give their number.
    """
    width = text.shape[1]
    if not 1 <= width <= MAX_DIGITS:
        msg = f"a number of {width} digits does not fit; at most {MAX_DIGITS}"
        raise ValueError(msg)
    text = steady(text) if width >= WORD else _right_aligned(text)
    width = max(width, WORD)
    numbers: list[Words] = []
    valid = np.ones(len(text), np.bool_)
    for first, wide in chunks(1, width):
        values = nibbles(text, first, wide)
        valid &= not_digits(values) == 0
        values &= spread(0x0F, wide)
        numbers.append(number_of(values))
    return joined(numbers), valid


def _right_aligned(text: Bytes) -> Bytes:
    wide = np.full((len(text), WORD), ZERO, np.uint8)
    wide[:, WORD - text.shape[1] :] = text
    return wide

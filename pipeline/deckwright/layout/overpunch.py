"""Zones punched over a digit: signs, and flags.

A zone over the units digit is the sign of a number: row 12 plus, row 11 minus. Source of the
graphics: encyclopedia article "Signed overpunch" quoting a COBOL manual, and ISO 6586:1980 for
12-0 and 11-0: `{` and `A` to `I` are +0 to +9, `}` and `J` to `R` are -0 to -9.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.words import Bytes

PLUS = 0x10
"""Bit in `ZONES`: row 12 stands over the digit."""
MINUS = 0x20
"""Bit in `ZONES`: row 11 stands over the digit."""
NO_DIGIT = 0x80
"""Bit in `ZONES`: the character is no digit with or without a zone."""
DIGIT = 0x0F
"""Bits in `ZONES`: the digit."""

TWELVE_OVER = b"{ABCDEFGHI"
"""The digits 0 to 9 with row 12 over them."""
ELEVEN_OVER = b"}JKLMNOPQR"
"""The digits 0 to 9 with row 11 over them."""

ELEVEN_ALONE = b"-"
"""Row 11 without a digit."""
TWELVE_ALONE = b"&+"
"""Row 12 without a digit, in commercial and in scientific codes."""


def _zones() -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    table = np.full(256, NO_DIGIT, np.uint8)
    for digit in range(10):
        table[48 + digit] = digit
        table[TWELVE_OVER[digit]] = digit | PLUS
        table[ELEVEN_OVER[digit]] = digit | MINUS
    return table


def _leading() -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    table = np.full(256, NO_DIGIT, np.uint8)
    table[48:58] = np.arange(10)
    table[ord("+")] = PLUS
    table[ord("-")] = MINUS
    return table


ZONES = _zones()
"""uint8 (256): by internal byte, the digit and the zone over it."""

LEADING = _leading()
"""uint8 (256): by internal byte, the first column of a number with a leading sign."""

OVER = np.array([list(b"0123456789"), list(TWELVE_OVER), list(ELEVEN_OVER)], np.uint8)
"""uint8 (3, 10): the character of a digit without zone, with row 12, with row 11."""

_TWELVE_ZERO = 0xA00
_ELEVEN_ZERO = 0x600


def is_zoned_zero(holes: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Return where patterns are a zero with row 12 or row 11 over it, in an array of that shape."""
    zoned: NDArray[np.bool_] = (holes == _TWELVE_ZERO) | (holes == _ELEVEN_ZERO)
    return zoned


def read_zoned_zeros(columns: Bytes, holes: NDArray[np.uint16]) -> None:
    """Write `{` and `}` for 12-0 and 11-0, which six-bit codes read as `?` and `!`.

    Args:
        columns: uint8 (w, k), changed in place.
        holes: uint16 (w, k), the patterns that were punched.
    """
    columns[holes == _TWELVE_ZERO] = TWELVE_OVER[0]
    columns[holes == _ELEVEN_ZERO] = ELEVEN_OVER[0]

"""Check digits: computed and tested for many numbers at a time.

Sources: Luhn, US patent 2,950,048 (1960) and ISO/IEC 7812-1 annex B; ISO/IEC 7064:2003 (mod 11-2,
37-2, 97-10, 11-10, 37-36); Verhoeff, Error detecting decimal codes (1969); Damm, Total
anti-symmetrische Quasigruppen (2004); weighted modulus 10 and 11 as published for data entry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import cycle, islice

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.words import Bytes

Mask = NDArray[np.bool_]
Sums = NDArray[np.uint16]

NONE = 0xFF
"""A character without a value in the scheme."""

_TEN = 10
_ELEVEN = 11
_LETTER_COUNT = 26
_LETTERS = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"


def check_characters(
    scheme: str, payload: Bytes, weights: Sequence[int] = (), *, x: bool = False
) -> tuple[Bytes, Mask]:
    """Return the check characters of many numbers.

    Args:
        scheme: a name as in a layout file.
        payload: uint8 (n, p), the numbers without their check characters.
        weights: for mod10 and mod11, from the right of the payload, repeating.
        x: mod11 writes X for 10; else a number that needs 10 has no check digit.

    Returns:
        uint8 (n, c), the check characters, c = 2 for mod97-10, else 1; bool (n), true where the
        number has any.
    """
    columns = np.ascontiguousarray(payload.T)
    return check_columns(scheme, columns, weights, x=x)


def check_columns(
    scheme: str, columns: Bytes, weights: Sequence[int] = (), *, x: bool = False
) -> tuple[Bytes, Mask]:
    """Return what `check_characters` does for a payload in columns, uint8 (p, n)."""
    if scheme == "sum10":
        return _as_cells(_digit_sum(columns)), np.ones(columns.shape[1], np.bool_)
    if scheme in ("mod10", "mod11") and not weights:
        msg = f"scheme {scheme!r} needs weights"
        raise ValueError(msg)
    letters = scheme in _WITH_LETTERS
    values, valid = _values(columns, letters=letters)
    if scheme == "mod97-10":
        return _two_digits(_mod_97_10(values)), valid
    if scheme in ("mod10", "mod11"):
        modulus = _TEN if scheme == "mod10" else _ELEVEN
        check = _complement(_weighted(values, weights), modulus)
    else:
        check = _SCHEMES[scheme](values)
    if scheme == "mod11" and not x:
        issued: Mask = check != _TEN
        valid &= issued
    cells = _as_cells(check)
    if scheme in ("mod11", "mod11-2"):
        cells[check == _TEN] = ord("X")
    return cells, valid


def check_holds(
    scheme: str,
    payload: Bytes,
    given: Bytes,
    weights: Sequence[int] = (),
    *,
    x: bool = False,
) -> Mask:
    """Return bool (n): true where `given` (n, c) are the check characters of `payload` (n, p)."""
    cells, valid = check_characters(scheme, payload, weights, x=x)
    holds: Mask = valid & (cells == given).all(axis=1)
    return holds


def _values(columns: Bytes, *, letters: bool) -> tuple[Bytes, Mask]:
    """Return values 0 to 9, letters 10 to 35, and where all characters of a number have one.

    Characters without a value count as 0.
    """
    values: Bytes = columns - np.uint8(48)
    known: Mask = np.less(values, _TEN)
    if known.all():
        return values, np.ones(columns.shape[1], np.bool_)
    if letters:
        alphabetic = columns - np.uint8(65)
        is_letter: Mask = np.less(alphabetic, _LETTER_COUNT)
        values = np.where(is_letter, alphabetic + np.uint8(_TEN), values)
        known |= is_letter
    values = np.where(known, values, np.uint8(0))
    valid: Mask = np.logical_and.reduce(known, axis=0)
    return values, valid


def _remainder(sums: Sums, modulus: int) -> Sums:
    # numpy divides by a constant many times faster than it takes a remainder
    left: Sums = sums - (sums // np.uint16(modulus)) * np.uint16(modulus)
    return left


def _complement(sums: Sums, modulus: int) -> Sums:
    return _remainder(np.uint16(modulus) - _remainder(sums, modulus), modulus)


def _luhn(values: Bytes) -> Sums:
    total = np.zeros(values.shape[1], np.uint16)
    for place, column in enumerate(reversed(values)):
        if place % 2:
            total += column
        else:
            double = column + column
            # a double of two digits counts as the sum of its digits, which is nine less
            double -= (column > 4).view(np.uint8) * np.uint8(9)  # noqa: PLR2004
            total += double
    return _complement(total, _TEN)


def _weighted(values: Bytes, weights: Sequence[int]) -> Sums:
    total = np.zeros(values.shape[1], np.uint16)
    used = islice(cycle(weights), len(values))
    for place, (column, weight) in enumerate(zip(reversed(values), used, strict=True), 1):
        total += column * np.uint16(weight)
        if place % 64 == 0:
            total = _remainder(total, _TEN * _ELEVEN)
    return total


def _pure(values: Bytes, modulus: int, radix: int) -> Sums:
    """Return the check value of a pure system of ISO/IEC 7064."""
    total = np.zeros(values.shape[1], np.uint16)
    for column in values:
        total += column
        total *= np.uint16(radix)
        total = _remainder(total, modulus)
    return _remainder(np.uint16(modulus + 1) - total, modulus)


def _hybrid(values: Bytes, modulus: int) -> Sums:
    """Return the check value of a hybrid system of ISO/IEC 7064, of `modulus` and the next."""
    total = np.full(values.shape[1], modulus, np.uint16)
    for column in values:
        total = _remainder(total + column, modulus)
        total[total == 0] = modulus
        total += total
        total = _remainder(total, modulus + 1)
    return _remainder(np.uint16(modulus + 1) - total, modulus)


def _mod_97_10(values: Bytes) -> Sums:
    """Return the two check digits as a number; a letter counts as its two digits, A = 10."""
    total = np.zeros(values.shape[1], np.uint16)
    for column in values:
        shift = np.where(column < _TEN, np.uint16(_TEN), np.uint16(100))
        total = _remainder(total * shift + column, 97)
    check: Sums = np.uint16(98) - _remainder(total * np.uint16(100), 97)
    return check


def _dihedral() -> NDArray[np.uint8]:
    """Return the multiplication table (10, 10) of the symmetries of a pentagon."""
    left, right = np.indices((_TEN, _TEN))
    turn = np.where(left < 5, left + right, left - right) % 5  # noqa: PLR2004
    mirrored = (left >= 5) != (right >= 5)  # noqa: PLR2004
    table: NDArray[np.uint8] = (turn + 5 * mirrored).astype(np.uint8)
    return table


def _permutations() -> NDArray[np.uint8]:
    """Return the powers 0 to 7 (8, 10) of Verhoeff's permutation."""
    step = np.array([1, 5, 7, 6, 2, 8, 3, 0, 9, 4])
    powers = [np.arange(_TEN)]
    for _ in range(7):
        powers.append(powers[-1][step])
    return np.array(powers, np.uint8)


_DIHEDRAL = _dihedral()
_PERMUTATIONS = _permutations()
_INVERSE: Sums = np.argmin(_DIHEDRAL, axis=1).astype(np.uint16)
_DAMM_ROWS = b"""\
0317598642 7092154863 4206871359 1750983426 6123045978
3674209581 5869720134 8945362017 9438617205 2581436790"""
_DAMM = np.frombuffer(b"".join(_DAMM_ROWS.split()), np.uint8).reshape(_TEN, _TEN) - np.uint16(48)


def _verhoeff(values: Bytes) -> Sums:
    state = np.zeros(values.shape[1], np.uint8)
    for place, column in enumerate(reversed(values), 1):
        state = _DIHEDRAL[state, _PERMUTATIONS[place % 8][column]]
    check: Sums = _INVERSE[state]
    return check


def _damm(values: Bytes) -> Sums:
    state = np.zeros(values.shape[1], np.uint16)
    for column in values:
        state = _DAMM[state, column]
    return state


def _digit_sum(columns: Bytes) -> Sums:
    """Return the sum of digits modulo 10; a minus sign counts 1, all else 0 (two-line elements)."""
    total = np.zeros(columns.shape[1], np.uint16)
    for column in columns:
        digit = column - np.uint8(48)
        total += digit * (digit < _TEN)
        total += column == ord("-")
    return _remainder(total, _TEN)


def _as_cells(check: Sums) -> Bytes:
    return np.frombuffer(_LETTERS, np.uint8)[check][:, None]


def _two_digits(check: Sums) -> Bytes:
    tens = check // np.uint16(_TEN)
    return (np.stack([tens, check - tens * np.uint16(_TEN)], axis=1) + 48).astype(np.uint8)


_SCHEMES: dict[str, Callable[[Bytes], Sums]] = {
    "luhn": _luhn,
    "mod11-2": lambda values: _pure(values, _ELEVEN, 2),
    "mod37-2": lambda values: _pure(values, 37, 2),
    "mod11-10": lambda values: _hybrid(values, _TEN),
    "mod37-36": lambda values: _hybrid(values, 36),
    "verhoeff": _verhoeff,
    "damm": _damm,
}
_WITH_LETTERS = ("mod37-2", "mod37-36", "mod97-10")

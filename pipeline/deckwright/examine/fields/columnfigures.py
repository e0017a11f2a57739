"""Figures of columns and of the borders between them, from the cards of one type."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.signs import SIGNS

Floats = NDArray[np.float64]

NATURES = (
    "unused", "constant", "sign", "digits", "zoned", "letters", "mixed", "special", "mark",
)  # fmt: skip
"""What a column is like as a whole; a mark is one special character, always the same."""

_UNUSED, _CONSTANT, _SIGN, _DIGITS, _ZONED, _LETTERS, _MIXED, _SPECIAL, _MARK = range(len(NATURES))

_USED = 0.002  # of the cards
_ALWAYS = 0.998
_MOSTLY = 0.97
_MINUS, _PLUS, _ZERO, _DIGIT, _POINT = (
    SIGNS.index(one) for one in ("minus", "plus", "zero", "digit", "point")
)
_LETTER_SIGNS = [SIGNS.index(one) for one in ("exponent", "zone 12", "zone 11", "letter")]
_ZONES_OVER = [SIGNS.index(one) for one in ("zone 12", "zone 11")]
_MANY_LETTERS = 12
_ZONE_SIGNS = [SIGNS.index(one) for one in ("exponent", "zone 12", "zone 11")]


@dataclass(frozen=True, slots=True, eq=False)
class ColumnFigures:
    """Figures of L columns of n cards.

    text: uint8 (L, n). signs: uint8 (L, n), places in SIGNS. shares: float (L, 13), of all cards.
    blank, zero: float (L), share of the cards. bits: float (L), entropy of the filled cells.
    whole: float (L), entropy of all cells. nature: int (L), places in NATURES. tied, bare: float
    (L), how far a column hangs on the one before it (entry 0: nothing), 0 to 1, by its value and by
    whether it is zero or blank.
    """

    text: NDArray[np.uint8]
    signs: NDArray[np.uint8]
    shares: Floats
    blank: Floats
    zero: Floats
    bits: Floats
    whole: Floats
    nature: NDArray[np.intp]
    tied: Floats
    bare: Floats

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.text)

    @property
    def count(self) -> int:
        """Number of cards."""
        return int(self.text.shape[1])


def figures_of(text: NDArray[np.uint8], table: NDArray[np.uint8]) -> ColumnFigures:
    """Return the figures of cards.

    Args:
        text: uint8 (n, L), internal bytes.
        table: uint8 (256), see `sign_table`.
    """
    columns = np.ascontiguousarray(text.T)
    signs = table[columns]
    count = max(1, len(text))
    values = np.stack([np.bincount(column, minlength=256) for column in columns])
    kinds = np.stack([np.bincount(column, minlength=len(SIGNS)) for column in signs])
    shares = kinds / count
    filled = values.copy()
    filled[:, ord(" ")] = 0
    bits, whole = _entropy(filled), _entropy(values)
    tied = np.zeros(len(columns))
    bare = np.zeros(len(columns))
    fill = (signs <= SIGNS.index("zero")).astype(np.uint16)
    compact = _compact(columns, values)
    for place in range(1, len(columns)):
        tied[place] = _tied(compact[place - 1], compact[place], count)
        bare[place] = _tied((fill[place - 1], 2), (fill[place], 2), count)
    return ColumnFigures(
        text=columns,
        signs=signs,
        shares=shares,
        blank=shares[:, 0],
        zero=shares[:, _ZERO],
        bits=bits,
        whole=whole,
        nature=_natures(shares, filled, count),
        tied=tied,
        bare=bare,
    )


def _entropy(counts: NDArray[np.int64]) -> Floats:
    """Return float (k): bits of each row of counts."""
    sums = np.maximum(1, counts.sum(axis=1, keepdims=True))
    shares = counts / sums
    logs = np.log2(shares, out=np.zeros_like(shares), where=shares > 0)
    bits: Floats = -(shares * logs).sum(axis=1)
    return bits


def _compact(
    columns: NDArray[np.uint8], values: NDArray[np.int64]
) -> list[tuple[NDArray[np.uint16], int]]:
    """Return each column with its values numbered from 0, and how many there are."""
    found = []
    for column, counts in zip(columns, values, strict=True):
        known = np.flatnonzero(counts)
        place = np.zeros(256, np.uint16)
        place[known] = np.arange(len(known))
        found.append((place[column], len(known)))
    return found


def _tied(
    one: tuple[NDArray[np.uint16], int], other: tuple[NDArray[np.uint16], int], count: int
) -> float:
    """Return how much of the less telling column the other one tells, 0 to 1, chance left out."""
    (left, lefts), (right, rights) = one, other
    if lefts < 2 or rights < 2:  # noqa: PLR2004 # one value tells nothing
        return 0.0
    both = np.bincount(left * np.uint16(rights) + right, minlength=lefts * rights)
    table = both.reshape(lefts, rights)
    bits = _entropy(np.stack([both, np.zeros_like(both)]))[0]
    alone = _entropy(table.sum(axis=1)[None])[0], _entropy(table.sum(axis=0)[None])[0]
    chance = (lefts - 1) * (rights - 1) / (2 * np.log(2) * count)
    known = alone[0] + alone[1] - bits - chance
    return float(np.clip(known / max(1e-9, min(alone)), 0.0, 1.0))


def _natures(shares: Floats, filled: NDArray[np.int64], count: int) -> NDArray[np.intp]:
    """Return int (L): places in NATURES."""
    blank = shares[:, 0]
    used = np.maximum(1e-9, 1 - blank)
    digits = (shares[:, _ZERO] + shares[:, _DIGIT]) / used
    letters = shares[:, _LETTER_SIGNS].sum(axis=1) / used
    zones = shares[:, _ZONE_SIGNS].sum(axis=1) / used
    both = (shares[:, _PLUS] + shares[:, _MINUS]) / used
    nature = np.full(len(shares), _MIXED, np.intp)
    nature[(digits + letters) < 1 - _MOSTLY] = _SPECIAL
    nature[letters >= _MOSTLY] = _LETTERS
    # a sign over every digit leaves letters only, but never those behind R
    signed = (zones >= _MOSTLY) & ((filled > 0).sum(axis=1) >= _MANY_LETTERS)
    nature[signed & (shares[:, _ZONES_OVER].min(axis=1) > 0)] = _ZONED
    nature[(digits + zones >= _MOSTLY) & (digits > 0.05) & (zones > 0)] = _ZONED  # noqa: PLR2004
    nature[digits >= _MOSTLY] = _DIGITS
    # a column before digits may hold their sign
    signed = (both > 0) & (both + digits >= _MOSTLY)
    nature[signed & (digits < _MOSTLY)] = _SIGN
    top = filled.max(axis=1) / max(1, count)
    always = (top >= _ALWAYS) & (blank <= 1 - _ALWAYS)
    nature[always] = np.where((digits + letters)[always] > _MOSTLY, _CONSTANT, _MARK)
    nature[1 - blank <= _USED] = _UNUSED
    return nature

"""What stands in a column, as fields are told apart by it; and the shapes that numbers have."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.model import DIGIT, ILLEGAL, LETTER, SPECIAL

SIGNS = (
    "blank", "zero", "digit", "plus", "minus", "point", "exponent", "zone 12", "zone 11",
    "letter", "slash", "special", "illegal",
)  # fmt: skip
"""Kinds of signs; `exponent` is D or E, `zone 12` and `zone 11` are A to I and J to R."""

_BLANK, _ZERO, _DIGIT, _PLUS, _MINUS, _POINT, _EXPONENT, _TWELVE, _ELEVEN = range(9)
_LETTER, _SLASH, _SPECIAL, _ILLEGAL = range(9, 13)
_ONE_SIGN = {
    " ": _BLANK, "0": _ZERO, "+": _PLUS, "-": _MINUS, ".": _POINT, "/": _SLASH,
    **dict.fromkeys("123456789", _DIGIT), **dict.fromkeys("DE", _EXPONENT),
    **dict.fromkeys("{ABCFGHI", _TWELVE), **dict.fromkeys("}JKLMNOPQR", _ELEVEN),
}  # fmt: skip

_MOST_STATES = 8


def sign_table(kinds: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return uint8 (256): place in `SIGNS` of each internal byte.

    Args:
        kinds: uint8 (256), class of each internal byte.
    """
    table = np.full(256, _SPECIAL, np.uint8)
    table[kinds == LETTER] = _LETTER
    table[kinds == DIGIT] = _DIGIT
    table[kinds == ILLEGAL] = _ILLEGAL
    for sign, place in _ONE_SIGN.items():
        if kinds[ord(sign)] in (LETTER, SPECIAL, DIGIT) or sign == " ":
            table[ord(sign)] = place
    return table


@dataclass(frozen=True, slots=True)
class Shape:
    """A shape of numbers, as a machine that reads it from the left.

    moves: for each state, the signs it takes and the state that follows; what is not there ends in
    no number. good: states in which a number, or a blank field, may end.
    """

    name: str
    moves: tuple[Mapping[str, int], ...]
    good: tuple[int, ...]


_DIGITS = ("zero", "digit")
_BOTH = ("plus", "minus")


def _to(state: int, *signs: str) -> dict[str, int]:
    return dict.fromkeys(signs, state)


SHAPES: tuple[Shape, ...] = (
    # a sign in its own column or right before the first digit
    Shape("whole", (
        _to(0, "blank") | _to(1, *_BOTH) | _to(2, *_DIGITS),
        _to(1, "blank") | _to(2, *_DIGITS),
        _to(2, *_DIGITS),
    ), (0, 2)),
    Shape("left", (
        _to(1, *_DIGITS, *_BOTH) | _to(2, "blank"),
        _to(1, *_DIGITS) | _to(2, "blank"),
        _to(2, "blank"),
    ), (1, 2)),
    Shape("point", (
        _to(0, "blank") | _to(1, *_BOTH) | _to(2, *_DIGITS) | _to(3, "point"),
        _to(1, "blank") | _to(2, *_DIGITS) | _to(3, "point"),
        _to(2, *_DIGITS) | _to(3, "point"),
        _to(3, *_DIGITS),
    ), (0, 3)),
    Shape("exponent", (
        _to(0, "blank") | _to(1, *_BOTH) | _to(2, *_DIGITS) | _to(3, "point"),
        _to(1, "blank") | _to(2, *_DIGITS) | _to(3, "point"),
        _to(2, *_DIGITS) | _to(3, "point") | _to(4, "exponent") | _to(5, *_BOTH),
        _to(3, *_DIGITS) | _to(4, "exponent") | _to(5, *_BOTH),
        _to(5, *_BOTH, "blank") | _to(6, *_DIGITS),
        _to(6, *_DIGITS) | _to(5, "blank"),
        _to(6, *_DIGITS),
    ), (0, 6)),
    Shape("zone behind", (
        _to(0, "blank") | _to(1, *_DIGITS) | _to(2, "zone 12", "zone 11", "exponent"),
        _to(1, *_DIGITS) | _to(2, "zone 12", "zone 11", "exponent"),
        {},
    ), (0, 1, 2)),
    Shape("zone before", (
        _to(0, "blank") | _to(1, *_DIGITS, "zone 12", "zone 11", "exponent", *_BOTH),
        _to(1, *_DIGITS),
    ), (0, 1)),
)  # fmt: skip
"""Shapes that are tried for each span of columns."""


def machines() -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Return moves uint8 (shapes, states, signs) and bool (shapes, states): good ends."""
    dead = _MOST_STATES - 1
    moves = np.full((len(SHAPES), _MOST_STATES, len(SIGNS)), dead, np.uint8)
    good = np.zeros((len(SHAPES), _MOST_STATES), np.bool_)
    for number, shape in enumerate(SHAPES):
        for state, after in enumerate(shape.moves):
            for sign, following in after.items():
                moves[number, state, SIGNS.index(sign)] = following
        good[number, list(shape.good)] = True
    return moves, good


def shares_of(signs: NDArray[np.uint8]) -> dict[str, float]:
    """Return which share of texts has each shape, by its name.

    Args:
        signs: uint8 (w, n), places in `SIGNS`; texts that are wholly blank have every shape.
    """
    moves, good = machines()
    found = {}
    for shape, table, ends in zip(SHAPES, moves, good, strict=True):
        state = np.zeros(signs.shape[1], np.uint8)
        for column in signs:
            state = table[state, column]
        found[shape.name] = float(ends[state].mean()) if len(state) else 0.0
    return found

"""How plausible a text is as that of punched cards: the weights behind the ranking of codes.

Weights run from 0 (no character) to 1 (digit or capital). They say how often a character stands on
cards, by common practice (no source): digits and capitals first, then . , - / and the signs of
sums, and code-page oddities last. A sign that stands where it is not used, such as a percent sign
that follows no digit, weighs less.
"""

from __future__ import annotations

import string
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable

BLANK_CLASS, DIGIT, LETTER, SPECIAL, NOTHING = range(5)
"""Classes of a cell; NOTHING is a control character, or no character at all."""

Characters = tuple[str | None, ...]
"""The character of each value of a cell; None where there is none."""

_Classes = NDArray[np.uint8]
_CLASSES = 5
_ROWS = 0.6  # what is left of a score when the columns of a deck keep no class
_USUAL = {
    0.95: ".,-",
    0.9: "/*=()$",
    0.85: "+'",
    0.8: "%&",
    0.7: "#@:[]{}",
    0.65: "\u201c\u201d\u2018\u2019",
    0.6: ';?"_',
    0.55: "!\u20ac",
    0.5: "<>\u2311\u00a2\u00ac",
    0.4: "|\\^~`\u00a3\u00a7",
    0.3: "\u00a4",
}
_WEIGHTS = {character: weight for weight, group in _USUAL.items() for character in group}
_OTHER_LETTER, _OTHER, _CONTROL = 0.3, 0.1, 0.02
_IN_WORD = 0.6
_UNUSUAL = 0.35  # of a weight
_MISPLACED = 0.4  # what is left of a sign's weight where it is not used
_PAIRS = ("()", "[]", "{}")


@dataclass(frozen=True, slots=True)
class Reading:
    """How a code reads some cells.

    weights: float (n, L). score: 0 to 1. legal, digits, letters, specials: shares of the cells
    that are not blank; blanks: share of all cells. constancy: share of filled cells that are
    of the class that their column has mostly: digits, letters and signs, or nothing. unusual: share
    of filled cells whose character hardly stands on cards.
    """

    weights: NDArray[np.float32]
    score: float
    legal: float
    digits: float
    letters: float
    specials: float
    blanks: float
    constancy: float
    unusual: float


@lru_cache(maxsize=512)
def characters_of(code: CodeTable, *, holes: bool) -> Characters:
    """Return the character of each byte (256) or pattern (4096); None where there is none."""
    table = code.from_holes if holes else code.from_raw
    if table is None:
        return ()
    return tuple(code.alphabet.characters[slot] if slot >= 0 else None for slot in table.tolist())


def read_cells(cells: NDArray[np.uint16], characters: Characters) -> Reading:
    """Return how cells (n, L) read when each value stands for one of these characters."""
    known = _known(characters)
    classes, weights = known.classes[cells], known.weights[cells]
    unusual = int(known.unusual[cells].sum())
    filled = classes != BLANK_CLASS
    count = max(1, int(filled.sum()))
    _place(weights, cells, classes, known.value)
    table = _by_column(classes)
    # letters and signs stand side by side in words, so they are one class here
    kinds = np.stack([table[:, DIGIT], table[:, LETTER] + table[:, SPECIAL], table[:, NOTHING]])
    most = kinds.max(axis=0).sum() / count
    shares = table.sum(axis=0) / count
    mean = float(weights.sum(where=filled, dtype=np.float64)) / count
    return Reading(
        weights,
        score=mean * (_ROWS + (1 - _ROWS) * float(most)),
        legal=1 - float(shares[NOTHING]),
        digits=float(shares[DIGIT]),
        letters=float(shares[LETTER]),
        specials=float(shares[SPECIAL]),
        blanks=1 - float(filled.mean()) if filled.size else 1.0,
        constancy=float(most),
        unusual=unusual / count,
    )


def unusual_cells(cells: NDArray[np.uint16], characters: Characters) -> NDArray[np.bool_]:
    """Return bool (n, L): cells whose character hardly stands on cards, or that have none."""
    unusual: NDArray[np.bool_] = _known(characters).unusual[cells]
    return unusual


def no_characters(cells: NDArray[np.uint16], characters: Characters) -> NDArray[np.bool_]:
    """Return bool (n, L): cells that are no printing character."""
    nothing: NDArray[np.bool_] = _known(characters).classes[cells] == NOTHING
    return nothing


def quick_score(counts: NDArray[np.int64], characters: Characters) -> float:
    """Return the mean weight of cells that are not blank, from how often each value stands."""
    known = _known(characters)
    weighed = float((counts * known.weights).sum(where=known.filled))
    return weighed / max(1, int(counts.sum(where=known.filled)))


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """What is known of the values of a cell: classes uint8 (k), weights float32 (k), signs.

    filled: bool (k), no blanks. unusual: bool (k), no blanks, and of little weight.
    """

    classes: NDArray[np.uint8]
    weights: NDArray[np.float32]
    value: dict[str, int]
    filled: NDArray[np.bool_]
    unusual: NDArray[np.bool_]


@lru_cache(maxsize=64)
def _known(characters: Characters) -> _Known:
    """Return this once for each code, as it is asked for with every reading that is tried."""
    classes = np.array([_class(character) for character in characters], np.uint8)
    weights = np.array([_weight(character) for character in characters], np.float32)
    value = {character: number for number, character in enumerate(characters) if character}
    filled = classes != BLANK_CLASS
    return _Known(classes, weights, value, filled, filled & (weights < _UNUSUAL))


def _class(character: str | None) -> int:
    if character == " ":
        return BLANK_CLASS
    if character is None or not character.isprintable():
        return NOTHING
    if character in string.digits:
        return DIGIT
    return LETTER if character.isalpha() else SPECIAL


def _weight(character: str | None) -> float:
    if character is None:
        return 0.0
    if character in string.digits or character in string.ascii_uppercase:
        return 1.0
    if character in string.ascii_lowercase:
        return 0.9
    if not character.isprintable():
        return _CONTROL
    latin = unicodedata.name(character, "").startswith("LATIN ")
    return _WEIGHTS.get(character, _OTHER_LETTER if latin else _OTHER)


def _by_column(classes: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return int64 (L, 5): how often each class stands in each column."""
    width = classes.shape[1]
    places = np.arange(width, dtype=np.intp) * _CLASSES + classes
    return np.bincount(places.ravel(), minlength=width * _CLASSES).reshape(width, _CLASSES)


def _in_or_after_word(before: _Classes) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (before == LETTER) | (before == DIGIT)
    return found


_PLACES: Mapping[str, Callable[[_Classes, _Classes], NDArray[np.bool_]]] = {
    "%": lambda before, _: before == DIGIT,
    "\u00a2": lambda before, _: before == DIGIT,
    "$": lambda _, after: (after == DIGIT) | (after == SPECIAL),
    "=": lambda before, after: (before != NOTHING) & (after != BLANK_CLASS),
    "'": lambda before, after: _in_or_after_word(before) | (after == LETTER),
    "!": lambda before, after: _in_or_after_word(before) & (after == BLANK_CLASS),
    "?": lambda before, after: _in_or_after_word(before) & (after == BLANK_CLASS),
    ",": lambda before, _: _in_or_after_word(before),
    ")": lambda before, _: _in_or_after_word(before) | (before == SPECIAL),
    "&": lambda before, after: (before == after) & (before != DIGIT),
    "#": lambda _, after: after == DIGIT,
    "+": lambda _, after: after != BLANK_CLASS,
}
"""Where a sign is used, by the classes of the cells before and after it."""


def _place(
    weights: NDArray[np.float32],
    cells: NDArray[np.uint16],
    classes: _Classes,
    value: Mapping[str, int],
) -> None:
    """Weigh signs by where they stand."""
    before, after = np.roll(classes, 1, axis=1), np.roll(classes, -1, axis=1)
    before[:, 0] = after[:, -1] = BLANK_CLASS
    there = np.bincount(cells.ravel(), minlength=max(value.values(), default=0) + 1)
    for sign, right in _PLACES.items():
        if sign in value and there[value[sign]]:
            wrong = (cells == value[sign]) & ~right(before, after)
            weights[wrong] *= np.float32(_MISPLACED)
    for pair in _PAIRS:
        signs = [value.get(sign, -1) for sign in pair]
        if any(sign >= 0 and there[sign] for sign in signs):
            _weigh_pairs(weights, cells, signs)
    strange = (classes == LETTER) & (weights < _IN_WORD) & (weights >= np.float32(_OTHER_LETTER))
    weights[strange & ((before == LETTER) | (after == LETTER))] = _IN_WORD


def _weigh_pairs(weights: NDArray[np.float32], cells: NDArray[np.uint16], pair: list[int]) -> None:
    """Weigh brackets less on cards where they do not pair, or where one closes before it opens."""
    opened = cells == pair[0]
    closed = cells == pair[1]
    rows = np.flatnonzero((opened | closed).any(axis=1))
    if not rows.size:
        return
    depth = np.cumsum(opened[rows].astype(np.int16) - closed[rows], axis=1)
    uneven = rows[(depth[:, -1] != 0) | (depth.min(axis=1) < 0)]
    part = weights[uneven]
    part[opened[uneven] | closed[uneven]] *= np.float32(_MISPLACED)
    weights[uneven] = part

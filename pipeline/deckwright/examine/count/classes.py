"""What stands in a column: blank, digit, letter, special, multi-punch or illegal.

Where the medium has no holes, a byte without a printing character is illegal. Where it has, a
pattern of several holes without a printing character is a multi-punch, and one hole without a
character, or a pattern that the code leaves out of a set it belongs to, is illegal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import ILLEGAL as NO_CHARACTER
from deckwright.cards.codetable import CodeTable
from deckwright.cards.holes import PATTERNS
from deckwright.examine.model import BLANK, CLASSES, DIGIT, ILLEGAL, LETTER, MULTI, SPECIAL

_BYTES = 256
_MANY = 2


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """How the cells of a medium are counted.

    values: how many values a cell can have, 256 bytes or 4,096 patterns. classes: uint8 (values),
    place in CLASSES. characters: the text of each value, None where there is none.
    """

    holes: bool
    values: int
    classes: NDArray[np.uint8]
    characters: tuple[str | None, ...]

    @property
    def blank(self) -> int:
        """The value of a blank."""
        return 0 if self.holes else 32

    def class_counts(self, counts: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return int64 (L, 6), cells by class, of counts (L, values)."""
        table = np.zeros((len(counts), len(CLASSES)), np.int64)
        for place in range(len(CLASSES)):
            table[:, place] = counts[:, self.classes == place].sum(axis=1)
        return table


def cells_of(code: CodeTable, *, holes: bool) -> Cells:
    """Return how cells in this code are counted."""
    if not holes or code.from_holes is None:
        characters = code.alphabet.characters
        kinds = np.array([_class(character) for character in characters], np.uint8)
        return Cells(holes=False, values=_BYTES, classes=kinds, characters=characters)
    slots = code.from_holes.tolist()
    names = tuple(code.alphabet.characters[slot] if slot >= 0 else None for slot in slots)
    kinds = np.array([_class(character) for character in names], np.uint8)
    several = np.bitwise_count(np.arange(PATTERNS, dtype=np.uint16)) >= _MANY
    kinds[(kinds == ILLEGAL) & several] = MULTI
    return Cells(holes=True, values=PATTERNS, classes=kinds, characters=names)


def byte_classes(code: CodeTable) -> NDArray[np.uint8]:
    """Return uint8 (256): the class of each internal byte, as read text shows it."""
    kinds = np.array([_class(character) for character in code.alphabet.characters], np.uint8)
    kinds[NO_CHARACTER] = ILLEGAL
    return kinds


def _class(character: str | None) -> int:
    if character == " ":
        return BLANK
    if character is None or not character.isprintable():
        return ILLEGAL
    if character.isascii() and character.isdigit():
        return DIGIT
    return LETTER if character.isalpha() else SPECIAL

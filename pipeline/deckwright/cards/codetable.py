"""What a code is: an alphabet of internal bytes, and where its characters stand on a medium."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from deckwright.errors import DeckwrightError

SIZE = 256
"""Slots of an alphabet, and values of a byte."""

ASCII_SIZE = 128

ILLEGAL = 0x1A
"""The internal byte for a pattern that is no character (SUB in ASCII)."""

_Scalar = TypeVar("_Scalar", bound=np.generic)

_NO_CHARACTER = "\ufffe"  # marks "undefined" in tables of Python's charmap codec

Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Cards = Callable[[Bytes], Mask]
"""Says, from text (n, L) in internal bytes, which cards (n) a part is on."""


class UnfitCodeError(DeckwrightError, ValueError):
    """The code cannot be used in this place."""

    exit_code = 2

    def __init__(self, name: str, what: str, remedy: str = "") -> None:
        self.name, self.what, self.remedy = name, what, remedy
        super().__init__(f"code {name!r} {what}" + (f"; {remedy}" if remedy else ""))


@dataclass(frozen=True, slots=True, eq=False)
class Alphabet:
    """What the 256 internal bytes stand for; None is a slot without a character."""

    characters: tuple[str | None, ...]

    @property
    def defined(self) -> NDArray[np.bool_]:
        """Return bool (256): slots that have a character."""
        return _defined(self.characters)

    def decode(self, data: bytes) -> str:
        """Return internal bytes as text; slots without a character become U+FFFD."""
        return codecs.charmap_decode(data, "replace", _decoding(self.characters))[0]

    def encode(self, text: str) -> bytes:
        """Return text as internal bytes.

        Raises:
            ValueError: the alphabet lacks a character; names it.
        """
        try:
            return codecs.charmap_encode(text, "strict", _encoding(self.characters))[0]
        except UnicodeEncodeError as error:
            character = text[error.start]
            msg = f"the code has no character {character!r} (U+{ord(character):04X})"
            raise ValueError(msg) from None


ASCII_LATIN = Alphabet(tuple(map(chr, range(SIZE))))
"""Latin-1: every slot is the character of its own number."""


@dataclass(frozen=True, slots=True, eq=False)
class CodeTable:
    """A code. Arrays must not be changed.

    from_raw: uint8 (256), raw byte to internal byte. to_raw: int16 (256), internal byte to raw
    byte, -1 none. Both None for a code without bytes. from_holes: int16 (4096), pattern to internal
    byte, -1 where the pattern is no character. to_holes: int16 (256), internal byte to pattern,
    -1 none. parts: columns in codes of their own (see `codeparts`), for which none of this holds.
    """

    name: str
    title: str
    source: str
    alphabet: Alphabet
    from_raw: NDArray[np.uint8] | None = None
    to_raw: NDArray[np.int16] | None = None
    from_holes: NDArray[np.int16] | None = None
    to_holes: NDArray[np.int16] | None = None
    parts: tuple[CodePart, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CodePart:
    """Columns first to last (from 1, both included) in a code of their own.

    code: in the alphabet of the whole deck; a byte without a character is read as 0x1A. cards:
    which cards it is on; None = all.
    """

    first: int
    last: int
    code: CodeTable
    cards: Cards | None = None

    @property
    def place(self) -> slice:
        """The columns as a slice, from 0."""
        return slice(self.first - 1, self.last)


def translation(source: Alphabet, target: Alphabet) -> NDArray[np.int16]:
    """Return int16 (256): slot of `source` to the slot of `target` with the same character.

    -1 where the target lacks the character or the source slot has none.
    """
    slots = {char: slot for slot, char in enumerate(target.characters) if char is not None}
    return np.array([slots.get(char or "", -1) for char in source.characters], np.int16)


@lru_cache(maxsize=64)
def _defined(characters: tuple[str | None, ...]) -> NDArray[np.bool_]:
    return fixed(np.array([character is not None for character in characters]))


@lru_cache(maxsize=64)
def _decoding(characters: tuple[str | None, ...]) -> str:
    return "".join(character or _NO_CHARACTER for character in characters)


@lru_cache(maxsize=64)
def _encoding(characters: tuple[str | None, ...]) -> Any:
    """Return the charmap codec's own table, which has no public type."""
    return codecs.charmap_build(_decoding(characters))


def slots_of(characters: Iterable[str]) -> dict[str, int]:
    """Return a slot for each character: ASCII and Latin-1 their own, others the lowest free one.

    Raises:
        ValueError: more than 128 characters are not ASCII.
    """
    given = list(characters)
    slots = {character: ord(character) for character in given if ord(character) < SIZE}
    taken = set(slots.values())
    free = [slot for slot in range(ASCII_SIZE, SIZE) if slot not in taken]
    others = [character for character in given if character not in slots]
    if len(others) > len(free):
        msg = f"holds {len(others) - len(free)} characters too many; 128 may be other than ASCII"
        raise ValueError(msg)
    return {**slots, **dict(zip(others, free, strict=False))}


def alphabet_of(slots: Mapping[str, int]) -> Alphabet:
    """Return the alphabet that has these characters in their slots."""
    characters: list[str | None] = [None] * SIZE
    for character, slot in slots.items():
        characters[slot] = character
    return Alphabet(tuple(characters))


def table_of(size: int, entries: Mapping[int, int]) -> NDArray[np.int16]:
    """Return int16 (size) of these entries by their places, -1 elsewhere; it cannot be changed."""
    table = np.full(size, -1, np.int16)
    for place, value in entries.items():
        table[place] = value
    return fixed(table)


def fixed(array: NDArray[_Scalar]) -> NDArray[_Scalar]:
    """Return an array after it was made one that cannot be changed."""
    array.flags.writeable = False
    return array

"""Several codes on one card: parts of the columns that another machine punched.

A deck has one alphabet. The code of a deck whose cards are punched in several codes has the
characters of all of them, and parts that say which columns, perhaps of some cards only, stand in
which code. So a character is the same internal byte wherever it stands, and the code of its column
says which holes or which byte it has there.

Where the characters of all codes together need more than the 256 places of an alphabet, the control
characters U+0080 to U+009F give way; those of further codes, and SUB, are never characters here.
A cell that holds one is none of the code: nothing is taken for something else.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import (
    ASCII_SIZE,
    ILLEGAL,
    SIZE,
    Alphabet,
    Bytes,
    CodePart,
    CodeTable,
    Mask,
    UnfitCodeError,
    translation,
)

_FEW = 3


def with_parts(base: CodeTable, parts: Sequence[CodePart]) -> CodeTable:
    """Return a code in which some columns stand in codes of their own.

    Args:
        base: the code of all other columns; it may have parts already.
        parts: columns, each with its code in that code's own alphabet. Where two are on the same
            cards and columns, the first of them counts.

    Raises:
        UnfitCodeError: the codes have too many characters for one alphabet.
    """
    alphabet = _together(base, [part.code for part in parts])
    old = [replace(part, code=_in_alphabet(part.code, alphabet)) for part in base.parts]
    new = [replace(part, code=_in_alphabet(part.code, alphabet)) for part in parts]
    name = f"{base.name} with {_said([*base.parts, *parts])}"
    return replace(_in_alphabet(base, alphabet), name=name, parts=(*old, *new))


def parts_on(code: CodeTable, text: Bytes) -> Iterator[tuple[CodePart, Mask | None]]:
    """Yield the parts of a code, with the cards (n) of text (n, L) that they are on.

    Parts on every card come first, then the others, the last of them first: done in this order,
    the first of two parts on the same cell has the last word. Which cards a part is on never
    depends on columns of parts that are on some cards only, so text may be changed on the way.
    """
    for part in code.parts:
        if part.cards is None:
            yield part, None
    for part in reversed(code.parts):
        if part.cards is not None:
            yield part, part.cards(text)


def hole_patterns(code: CodeTable, text: Bytes) -> NDArray[np.int16]:
    """Return int16 (n, L): the holes of text in internal bytes, -1 where a code has none for it.

    Raises:
        UnfitCodeError: a code has no holes.
    """
    return _punched(code, text, holes=True)


def raw_bytes(code: CodeTable, text: Bytes) -> NDArray[np.int16]:
    """Return int16 (n, L): the bytes of text in internal bytes, -1 where a code has none for it.

    Raises:
        UnfitCodeError: a code has no bytes.
    """
    return _punched(code, text, holes=False)


def read_parts(code: CodeTable, text: Bytes, raw: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
    """Read the columns of the parts again, in place.

    Args:
        code: the code of the deck.
        text: uint8 (n, L), internal bytes; the columns outside the parts must be right.
        raw: uint8 (n, L), bytes as they lie on the medium; or uint16 (n, L), patterns.

    Raises:
        UnfitCodeError: a code has no bytes, or no holes.
    """
    holes = raw.dtype == np.uint16
    for part, cards in parts_on(code, text):
        table = _table(part.code, part.code.from_holes if holes else part.code.from_raw)
        read = table[raw[:, part.place]]
        _put(text, part.place, cards, np.where(read < 0, ILLEGAL, read).astype(np.uint8))


def _said(parts: Sequence[CodePart]) -> str:
    if len(parts) > _FEW:
        names = dict.fromkeys(part.code.name for part in parts)
        return f"{', '.join(names)} in {len(parts)} places"
    return ", ".join(f"{part.code.name} in columns {part.first}-{part.last}" for part in parts)


def _punched(code: CodeTable, text: Bytes, *, holes: bool) -> NDArray[np.int16]:
    punched = _table(code, code.to_holes if holes else code.to_raw)[text].astype(np.int16)
    for part, cards in parts_on(code, text):
        table = _table(part.code, part.code.to_holes if holes else part.code.to_raw)
        _put(punched, part.place, cards, table[text[:, part.place]])
    return punched


def _put(
    cells: NDArray[np.uint8] | NDArray[np.int16],
    place: slice,
    cards: Mask | None,
    values: NDArray[np.integer],
) -> None:
    if cards is None:
        cells[:, place] = values
    else:
        rows = np.flatnonzero(cards)
        cells[rows, place] = values[rows]


def _table(code: CodeTable, table: NDArray[np.integer] | None) -> NDArray[np.integer]:
    if table is None:
        lacks = "bytes" if code.to_raw is None else "holes"
        raise UnfitCodeError(code.name, f"has no {lacks}")
    return table


def _together(base: CodeTable, codes: Sequence[CodeTable]) -> Alphabet:
    """Return the alphabet of the base with the characters that the other codes bring."""
    characters = list(base.alphabet.characters)
    characters[ILLEGAL] = None
    there = {char for char in characters if char is not None}
    wanted = dict.fromkeys(
        char
        for code in codes
        for char in code.alphabet.characters
        if char is not None and char not in there and unicodedata.category(char) != "Cc"
    )
    late = []
    for char in wanted:
        if ord(char) < SIZE and characters[ord(char)] is None and ord(char) != ILLEGAL:
            characters[ord(char)] = char
        else:
            late.append(char)
    free = [slot for slot in range(ASCII_SIZE, SIZE) if characters[slot] is None]
    free += [slot for slot in range(ASCII_SIZE, SIZE) if _is_control(characters[slot])]
    if len(late) > len(free):
        names = ", ".join(repr(code.name) for code in codes)
        what = f"and {names} have {len(late) - len(free)} characters too many for one alphabet"
        raise UnfitCodeError(base.name, what, "part the deck into one deck for each code")
    for char, slot in zip(late, free, strict=False):
        characters[slot] = char
    return Alphabet(tuple(characters))


def _is_control(character: str | None) -> bool:
    return character is not None and unicodedata.category(character) == "Cc"


def _in_alphabet(code: CodeTable, alphabet: Alphabet) -> CodeTable:
    """Return a code with another alphabet, 0x1A standing for what is no character of it."""
    slots = translation(code.alphabet, alphabet)
    return replace(
        code,
        alphabet=alphabet,
        from_raw=None if code.from_raw is None else _raw(_moved(code.from_raw, slots)),
        from_holes=None if code.from_holes is None else _moved(code.from_holes, slots),
        to_raw=_scattered(code.to_raw, slots),
        to_holes=_scattered(code.to_holes, slots),
    )


def _moved(table: NDArray[np.integer], slots: NDArray[np.int16]) -> NDArray[np.int16]:
    moved: NDArray[np.int16] = np.where(table >= 0, slots[table], np.int16(-1))
    moved.flags.writeable = False
    return moved


def _raw(table: NDArray[np.int16]) -> NDArray[np.uint8]:
    raw = np.where(table < 0, ILLEGAL, table).astype(np.uint8)
    raw.flags.writeable = False
    return raw


def _scattered(
    table: NDArray[np.int16] | None, slots: NDArray[np.int16]
) -> NDArray[np.int16] | None:
    if table is None:
        return None
    scattered = np.full(SIZE, -1, np.int16)
    known = slots >= 0
    scattered[slots[known]] = table[known]
    scattered.flags.writeable = False
    return scattered

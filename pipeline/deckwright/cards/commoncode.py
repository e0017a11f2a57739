"""One code for cards of several decks: their internal bytes made common, and back again.

The translation of each deck is one to one over all 256 bytes, so no card loses anything by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import ILLEGAL, SIZE, CodeTable, alphabet_of, slots_of

_CONTROLS = frozenset(map(chr, range(0x80, 0xA0)))
_SAME = bytes(range(SIZE))


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """How one code stands in a common one.

    to_common, to_own: 256 bytes each, tables of internal bytes. undefined: bool (256), common
    bytes that are no character of this code.
    """

    code: CodeTable
    to_common: bytes
    to_own: bytes
    undefined: NDArray[np.bool_]

    @property
    def is_same(self) -> bool:
        """Return whether the internal bytes are the same."""
        return self.to_common == _SAME


def common_code(codes: Sequence[CodeTable]) -> tuple[CodeTable, list[Share]]:
    """Return a code that has the characters of all, and how each of them stands in it.

    Where they are too many for 256 bytes, the control characters above ASCII are no characters.

    Raises:
        ValueError: they are too many all the same.
    """
    if all(code is codes[0] for code in codes):
        gaps = ~codes[0].alphabet.defined
        return codes[0], [Share(code, _SAME, _SAME, gaps) for code in codes]
    characters = dict.fromkeys(
        char for code in codes for char in code.alphabet.characters if char is not None
    )
    try:
        slots = slots_of(characters)
    except ValueError:
        slots = slots_of(char for char in characters if char not in _CONTROLS)
    alphabet = alphabet_of(slots)
    shares = [_share(code, slots) for code in codes]
    name = " and ".join(dict.fromkeys(code.name for code in codes))
    common = CodeTable(name, name, "several decks", alphabet)
    return _with_holes(common, shares), shares


def _share(code: CodeTable, slots: dict[str, int]) -> Share:
    table = np.full(SIZE, -1, np.int16)
    for slot, char in enumerate(code.alphabet.characters):
        if char is not None and char in slots:
            table[slot] = slots[char]
    undefined = np.ones(SIZE, np.bool_)
    undefined[table[table >= 0]] = False
    others = set(slots.values())
    free = set(np.flatnonzero(undefined).tolist())
    rest = np.flatnonzero(table < 0).tolist()
    for slot in rest:  # a byte without a character keeps its number, unless that is a character
        if slot == ILLEGAL or (slot in free and slot not in others):
            table[slot] = slot
            free.remove(slot)
    left = [slot for slot in rest if table[slot] < 0]
    table[left] = sorted(free, key=lambda slot: (slot in others, slot))
    to_own = np.zeros(SIZE, np.uint8)
    to_own[table] = np.arange(SIZE)
    return Share(code, table.astype(np.uint8).tobytes(), to_own.tobytes(), undefined)


def _with_holes(common: CodeTable, shares: Sequence[Share]) -> CodeTable:
    """Return the code with the holes that the first of these codes has for each character."""
    if all(share.code.to_holes is None for share in shares):
        return common
    to_holes = np.full(SIZE, -1, np.int16)
    for share in shares:
        if share.code.to_holes is not None:
            moved = share.code.to_holes[np.frombuffer(share.to_own, np.uint8)]
            to_holes = np.where((to_holes < 0) & ~share.undefined, moved, to_holes)
    to_holes.flags.writeable = False
    return replace(common, to_holes=to_holes)

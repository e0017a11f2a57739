"""Invented cards: text by chance, half-empty cards, and cards of many holes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import load_code
from deckwright.cards.holes import PATTERNS
from deckwright.pictures.card.geometry import COLUMNS

_CHARACTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ" + "0123456789" * 3 + "      -/&.,"
_KINDS: Final = 4  # of four cards two are full of text, one holds little, one is punched by chance


def invented_cards(count: int, seed: int) -> Iterator[tuple[NDArray[np.uint16], str]]:
    """Return patterns, uint16 (80), and printed line of so many cards, the same for a seed."""
    chance = np.random.default_rng((seed, COLUMNS))
    holes = load_code("ebcdic").to_holes
    assert holes is not None  # noqa: S101 # the code has holes
    for number in range(count):
        text = "".join(chance.choice(list(_CHARACTERS), COLUMNS))
        if number % _KINDS == 2:  # noqa: PLR2004 - the third
            text = text[: int(chance.integers(1, COLUMNS // 2))].ljust(COLUMNS)
        if number % _KINDS == _KINDS - 1:
            yield chance.integers(0, PATTERNS, COLUMNS).astype(np.uint16), ""
        else:
            yield holes[np.frombuffer(text.encode("ascii"), np.uint8)].astype(np.uint16), text

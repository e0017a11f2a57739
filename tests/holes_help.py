"""What tests of decks of holes share: texts as holes, and holes as column binary."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from deckwright.cards.codes import load_code

_ZONED = {"{": 0xA00, "}": 0x600}
"""A zero with row 12 or row 11 over it: ISO 6586:1980, 12-0 and 11-0."""


def two_bytes(holes: np.ndarray) -> bytes:
    """Return patterns (n, L) as column binary, from the published layout: six rows a byte."""
    return np.stack([holes >> 6, holes & 0x3F], axis=2).astype(np.uint8).tobytes()


def punched(code: str, texts: Sequence[str], width: int = 80) -> np.ndarray:
    """Return the holes (n, width) of texts in a code; { and } are a zero with a zone over it."""
    table = load_code(code)
    assert table.to_holes is not None
    plain = "".join(text.ljust(width) for text in texts)
    bare = plain.replace("{", "0").replace("}", "0")
    holes = table.to_holes[np.frombuffer(table.alphabet.encode(bare), np.uint8)]
    assert holes.min() >= 0
    for place, char in enumerate(plain):
        holes[place] = _ZONED.get(char, holes[place])
    return holes.astype(np.uint16).reshape(-1, width)

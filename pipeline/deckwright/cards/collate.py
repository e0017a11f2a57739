"""Collating sequences: the order of characters in a sort."""

from __future__ import annotations

from typing import Literal

import numpy as np

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import CodeTable

Sequence = Literal["ascii", "ebcdic", "card"]


def collating_ranks(code: CodeTable, sequence: Sequence) -> bytes | None:
    """Return the rank (256) of each internal byte; None where internal bytes are in order already.

    ascii: by ASCII number. ebcdic: by the byte of the same character in code page 037. card: by
    the byte that the deck's own code gives the character; for codes of holes only, by the byte of
    the 8-bit card code that has the same holes. Characters outside a sequence come last.
    """
    if sequence == "ascii":
        return None
    ranks = np.full(256, 255, np.uint8)
    if sequence == "ebcdic":
        for internal, character in enumerate(code.alphabet.characters):
            if character is not None:
                try:
                    ranks[internal] = character.encode("cp037")[0]
                except UnicodeEncodeError:
                    continue
        return ranks.tobytes()
    if code.to_raw is not None:
        raw = code.to_raw
    else:
        holes = load_code("ebcdic")
        assert holes.from_holes is not None  # noqa: S101 # the 8-bit card code is one of holes
        assert holes.to_raw is not None  # noqa: S101 # and of bytes
        assert code.to_holes is not None  # noqa: S101 # a code without bytes has holes
        same = np.where(code.to_holes >= 0, holes.from_holes[code.to_holes], -1)
        raw = np.where(same >= 0, holes.to_raw[same], -1)
    known = raw >= 0
    ranks[known] = raw[known].astype(np.uint8)
    return ranks.tobytes()

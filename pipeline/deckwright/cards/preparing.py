"""Write the file of all code tables anew: `python -m deckwright.cards.preparing`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from deckwright.cards.codes import made_anew
from deckwright.cards.codetable import CodeTable
from deckwright.cards.prepared import FILE, NONE, Prepared, written


def tables() -> bytes:
    """Return the file for the codes of the program and the codecs of this Python."""
    return written(_kept(code) for code in made_anew())


def _kept(code: CodeTable) -> Prepared:
    return Prepared(
        code.name,
        code.title,
        code.source,
        code.alphabet.characters,
        None if code.from_raw is None else code.from_raw.astype(np.uint16),
        None if code.to_holes is None else np.where(code.to_holes < 0, NONE, code.to_holes),
    )


if __name__ == "__main__":
    Path(__file__).with_name(FILE).write_bytes(tables())

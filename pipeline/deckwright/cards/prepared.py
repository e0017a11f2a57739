"""The tables of all codes of the program in one file, since making them anew takes half a second.

`codes.tables` holds a line of JSON for each code, an empty line, and then for each code 768 numbers
of 16 bits, low byte first: the character of each internal byte, the internal byte of each byte and
the pattern of each internal byte; 65535 stands for none. It is written by
`python -m deckwright.cards.preparing`; a test holds it against the codes made anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

FILE = "codes.tables"
NONE = 0xFFFF
_SIZE = 256
_END = b"\n\n"


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A code as it is kept. characters: of the 256 internal bytes; arrays: uint16 (256), or None.

    from_raw: byte to internal byte. to_holes: internal byte to pattern, NONE where it has none.
    """

    name: str
    title: str
    source: str
    characters: tuple[str | None, ...]
    from_raw: NDArray[np.uint16] | None
    to_holes: NDArray[np.uint16] | None


def prepared_names() -> Iterable[str]:
    """Return the names of the codes that are kept."""
    return _kept().keys()


def prepared_code(name: str) -> Prepared | None:
    """Return a code that is kept, None where none has this name."""
    found = _kept().get(name)
    if found is None:
        return None
    facts, (characters, from_raw, to_holes) = found
    return Prepared(
        name,
        facts["title"],
        facts["source"],
        tuple(None if c == NONE else chr(c) for c in characters.tolist()),
        _some(from_raw),
        _some(to_holes),
    )


def inverse(table: NDArray[np.uint16], size: int) -> NDArray[np.int16]:
    """Return int16 (size): where in the table a number stands, -1 where nowhere."""
    places = np.flatnonzero(table != NONE)
    found = np.full(size, -1, np.int16)
    found[table[places]] = places
    return found


def written(codes: Iterable[Prepared]) -> bytes:
    """Return the bytes of the file for these codes."""
    codes = list(codes)
    lines = [
        json.dumps({"name": code.name, "title": code.title, "source": code.source})
        for code in codes
    ]
    none = np.full(_SIZE, NONE, np.uint16)
    rows = []
    for code in codes:
        characters = [NONE if c is None else ord(c) for c in code.characters]
        rows.append(np.array(characters, np.uint16))
        rows += [none if table is None else table for table in (code.from_raw, code.to_holes)]
    return "\n".join(lines).encode("ascii") + _END + np.stack(rows).astype("<u2").tobytes()


@lru_cache(maxsize=1)
def _kept() -> Mapping[str, tuple[dict[str, str], NDArray[np.uint16]]]:
    data = files("deckwright.cards").joinpath(FILE).read_bytes()
    lines, _, rest = data.partition(_END)
    facts = json.loads(b"[" + lines.replace(b"\n", b",") + b"]")
    tables = np.frombuffer(rest, "<u2").reshape(len(facts), 3, _SIZE)
    return {each["name"]: (each, table) for each, table in zip(facts, tables, strict=True)}


def _some(table: NDArray[np.uint16]) -> NDArray[np.uint16] | None:
    return None if (table == NONE).all() else table

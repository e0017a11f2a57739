"""What the lines of a hole transcript say: names of rows, or marks."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deckwright import PATTERNS, ROWS, format_pattern, row_bit
from deckwright_plugins.media.transcript.lines import lines_at
from deckwright_plugins.shared.lines import Lines

WIDEST_NAME = 128
"""Bytes of a line of row names above which it is none."""

_UNREADABLE = -1
_MOST_KEPT = 65_536
_WORD = 8
_SEED = np.uint64(0x9E3779B97F4A7C15)


@dataclass(slots=True)
class Names:
    """Reads and writes a column as the names of its rows.

    rows: names of rows 12, 11, 0 to 9. joined_by: what stands between two. no_holes: the word for
    a column without holes; an empty line says the same.
    """

    rows: tuple[str, ...]
    joined_by: str
    no_holes: str
    _known: dict[bytes, int] = field(default_factory=dict)
    _table: tuple[NDArray[np.uint8], NDArray[np.int64]] | None = None

    def patterns(self, lines: Lines) -> NDArray[np.int32]:
        """Return int32 (n): the pattern of each line, -1 where it says none."""
        found = np.full(len(lines), _UNREADABLE, np.int32)
        rows = np.flatnonzero(lines.widths <= WIDEST_NAME)
        if not rows.size:
            return found
        fitting = lines_at(lines, rows)
        size = -(-max(1, int(fitting.widths.max())) // _WORD) * _WORD
        texts, places = _distinct(fitting.matrix(size, 0x20))
        values = np.array([self._pattern(text.tobytes()) for text in texts], np.int32)
        found[rows] = values[places]
        return found

    def table(self) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
        """Return the written names of all patterns: uint8 (4096, W), and their lengths (4096)."""
        if self._table is None:
            names = {str(row): name for row, name in zip(ROWS, self.rows, strict=True)}
            texts = [self.no_holes.encode()]
            for pattern in range(1, PATTERNS):
                parts = format_pattern(pattern).split("-")
                texts.append(self.joined_by.join(names[part] for part in parts).encode())
            lengths = np.array([len(text) for text in texts], np.int64)
            width = int(lengths.max()) + 1
            lines = b"".join((text + b"\n").ljust(width) for text in texts)
            self._table = np.frombuffer(lines, np.uint8).reshape(PATTERNS, width), lengths
        return self._table

    def _pattern(self, text: bytes) -> int:
        stripped = text.strip()
        if stripped not in self._known:
            if len(self._known) > _MOST_KEPT:
                self._known.clear()
            self._known[stripped] = self._parse(stripped)
        return self._known[stripped]

    def _parse(self, text: bytes) -> int:
        try:
            said = text.decode()
        except UnicodeDecodeError:
            return _UNREADABLE
        if said in {"", self.no_holes}:
            return 0
        bits = dict(zip(self.rows, map(row_bit, ROWS), strict=True))
        pattern = 0
        for part in said.split(self.joined_by) if self.joined_by else said:
            bit = bits.get(part.strip(), 0)
            if not bit or pattern & bit:
                return _UNREADABLE
            pattern |= bit
        return pattern


def _distinct(texts: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.intp]]:
    """Return the distinct rows of a matrix (n, 8k), and for each row the place of its like."""
    words = texts.view(np.uint64)
    mixed = words[:, 0].copy()
    for column in range(1, words.shape[1]):
        mixed = (mixed ^ (mixed >> np.uint64(29))) * _SEED + words[:, column]
    _, firsts, places = np.unique(mixed, return_index=True, return_inverse=True)
    if words.shape[1] > 1 and (words != words[firsts[places]]).any():
        # two texts with one hash: compare them whole
        whole = texts.view(f"V{texts.shape[1]}").reshape(-1)
        _, firsts, places = np.unique(whole, return_index=True, return_inverse=True)
    return texts[firsts], places.reshape(-1)


@dataclass(frozen=True, slots=True)
class Marks:
    """Reads and writes a row as one mark a column. hole, no_hole: every mark that says so."""

    hole: str
    no_hole: str
    top_first: bool

    def bits(self, lines: Lines, width: int) -> NDArray[np.uint8]:
        """Return uint8 (n, width): 1 a hole, 0 none, 2 an unknown mark."""
        table = np.full(256, 2, np.uint8)
        table[list(self.no_hole.encode("latin-1"))] = 0
        table[list(self.hole.encode("latin-1"))] = 1
        return table[lines.matrix(width, ord(self.no_hole[0]))]

    def patterns(self, bits: NDArray[np.uint8]) -> NDArray[np.uint16]:
        """Return the patterns (n, width) of bits (n, 12, width)."""
        holes = np.zeros((len(bits), bits.shape[2]), np.uint16)
        for line, row in enumerate(self._rows()):
            holes |= (bits[:, line] == 1).astype(np.uint16) * np.uint16(row)
        return holes

    def written(self, holes: NDArray[np.uint16]) -> NDArray[np.uint8]:
        """Return the marks (n, 12, width) of patterns (n, width)."""
        marks = np.frombuffer((self.no_hole[0] + self.hole[0]).encode("latin-1"), np.uint8)
        rows = [((holes & np.uint16(row)) != 0).astype(np.uint8) for row in self._rows()]
        written: NDArray[np.uint8] = marks[np.stack(rows, axis=1)]
        return written

    def _rows(self) -> list[int]:
        bits = [row_bit(row) for row in ROWS]
        return bits if self.top_first else bits[::-1]


def ambiguous(rows: tuple[str, ...], joined_by: str) -> str:
    """Return what makes names of rows unclear, or an empty text."""
    if doubled := [a for a, b in pairwise(sorted(rows)) if a == b]:
        return f"the row name {doubled[0]!r} stands twice"
    if any(not name or name != name.strip() for name in rows):
        return "a row name is empty or has blanks around it"
    if not joined_by and any(len(name) > 1 for name in rows):
        return "names of more than one character need joined_by"
    if joined_by and any(joined_by in name for name in rows):
        return f"a row name holds {joined_by!r}, which stands between names"
    return ""

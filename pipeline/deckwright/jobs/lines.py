"""Where the keys of a TOML file stand, since the parser keeps no positions."""

from __future__ import annotations

import re
from collections.abc import Sequence

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"))*)\s*="""
)
_PART = re.compile(r"""[A-Za-z0-9_-]+|"([^"]*)"|'([^']*)'""")


class LineMap:
    """Line numbers (from 1) of the tables and keys of one TOML text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._scan(text)

    def line(self, path: Sequence[str | int]) -> int:
        """Return the line of the key at this path, or of the nearest table above it; 0 = none."""
        for end in range(len(path), 0, -1):
            found = self._lines.get(tuple(path[:end]))
            if found is not None:
                return found
        return 0

    def _scan(self, text: str) -> None:
        table: Path = ()
        quote = ""
        depth = 0
        for number, line in enumerate(text.splitlines(), 1):
            if quote:
                quote = "" if quote in line else quote
                continue
            if depth == 0:
                table = self._enter(table, line, number)
            bare = re.sub(r"""\"(?:\\.|[^"\\])*\"|'[^']*'|\#.*""", "", line)
            for mark in ('"""', "'''"):
                if line.count(mark) % 2:
                    quote = mark
            header = _HEADER.match(line) if depth == 0 else None
            if not header:
                depth = max(
                    0, depth + bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")
                )

    def _enter(self, table: Path, line: str, number: int) -> Path:
        header = _HEADER.match(line)
        if header:
            parts = _parts(header[2])
            place = self._resolve(parts[:-1]) if header[1] == "[[" else self._resolve(parts)
            if header[1] == "[[":
                base = (*place, parts[-1])
                index = self._counts.get(base, -1) + 1
                self._counts[base] = index
                place = (*base, index)
                self._lines.setdefault(base, number)
            self._lines.setdefault(place, number)
            return place
        key = _KEY.match(line)
        if key:
            self._lines.setdefault((*table, *_parts(key[1])), number)
        return table

    def _resolve(self, parts: list[str]) -> Path:
        """Return the path, with the index of the newest item of each list of tables it crosses."""
        place: Path = ()
        for part in parts:
            place = (*place, part)
            if place in self._counts:
                place = (*place, self._counts[place])
        return place


def _parts(dotted: str) -> list[str]:
    return [m[1] or m[2] or m[0] for m in _PART.finditer(dotted)]

"""Where the keys of a TOML file stand, since the parser keeps no positions.

Made for text that `tomllib` has taken: it looks for the ends of values, not for mistakes.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence

Path = tuple[str | int, ...]

_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}#\n]*")


class LineMap:
    """Line numbers (from 1) of the tables, keys and items of one TOML text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._newest: dict[Path, int] = {}
        self._text = text
        self._place = 0  # in the text; everything before it has been read
        self._line, self._counted = 1, 0
        self._scan()

    def line(self, path: Sequence[str | int]) -> int:
        """Return the line of the key at this path, or of the nearest table above it; 0 = none."""
        for end in range(len(path), 0, -1):
            found = self._lines.get(tuple(path[:end]))
            if found is not None:
                return found
        return 0

    def _scan(self) -> None:
        table: Path = ()
        self._gap()
        while self._place < len(self._text):
            if self._text[self._place] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._gap()

    def _header(self) -> Path:
        """Read `[a.b]` or `[[a.b]]`; return the path of the table that begins."""
        listed = self._text.startswith("[[", self._place)
        brackets = 2 if listed else 1
        self._place += brackets
        self._gap()
        *before, last = self._key()
        self._gap()
        self._place += brackets
        path: Path = ()
        for part in before:
            path = self._inside((*path, part))
            self._note(path)
        path = (*path, last)
        self._note(path)
        if listed:
            self._newest[path] = self._newest.get(path, -1) + 1
        path = self._inside(path)
        self._note(path)
        return path

    def _inside(self, path: Path) -> Path:
        """Return the path, with the index of the newest item where it is a list of tables."""
        return (*path, self._newest[path]) if path in self._newest else path

    def _pair(self, table: Path) -> None:
        """Read `a.b = value` into a table."""
        path = table
        for part in self._key():
            path = (*path, part)
            self._note(path)
        self._gap()
        self._place += 1  # the sign =
        self._gap()
        self._value(path)

    def _key(self) -> list[str]:
        parts = [self._key_part()]
        while dot := _DOT.match(self._text, self._place):
            self._place = dot.end()
            parts.append(self._key_part())
        return parts

    def _key_part(self) -> str:
        if bare := _BARE.match(self._text, self._place):
            self._place = bare.end()
            return bare[0]
        quoted = _STRING.match(self._text, self._place)
        assert quoted is not None  # noqa: S101 # the text is TOML
        self._place = quoted.end()
        key: str = tomllib.loads(f"key = {quoted[0]}")["key"]
        return key

    def _value(self, path: Path) -> None:
        opening = self._text[self._place]
        if opening == "[":
            self._items(path)
        elif opening == "{":
            self._table(path)
        else:
            found = _STRING.match(self._text, self._place) or _PLAIN.match(self._text, self._place)
            assert found is not None  # noqa: S101 # the second matches anywhere
            self._place = found.end()

    def _items(self, path: Path) -> None:
        number = 0
        while not self._closes("]"):
            self._note((*path, number))
            self._value((*path, number))
            number += 1

    def _table(self, path: Path) -> None:
        while not self._closes("}"):
            self._pair(path)

    def _closes(self, bracket: str) -> bool:
        """Pass over the opening bracket or a comma; return whether the closing one follows."""
        self._gap()
        if self._text[self._place] in "[{," and self._text[self._place] != bracket:
            self._place += 1
        self._gap()
        closes = self._text[self._place] == bracket
        self._place += closes
        return closes

    def _gap(self) -> None:
        gap = _GAP.match(self._text, self._place)
        assert gap is not None  # noqa: S101 # it may be empty
        self._place = gap.end()

    def _note(self, path: Path) -> None:
        self._line += self._text.count("\n", self._counted, self._place)
        self._counted = self._place
        self._lines.setdefault(path, self._line)

"""Code tables in files: which character stands for which holes, and for which byte.

A code of your own is a CSV or a TOML file; the file's name without suffix is the code's name.

CSV, in UTF-8. Lines that begin with "# " above the header may say `# title: ...` and
`# source: ...`. The header names the columns: `char` and `holes` must be there, `byte_hex` gives
each character a byte too, all further columns are for the reader alone::

    # title: Seven-key teaching set (invented)
    char,holes,byte_hex
    A,12-1,41
    U+0020,,20

TOML: `title`, `source`, a table `holes`, and if wished a table `bytes` (two hexadecimal digits).
`base` names a packaged code; then the file says only what differs from it: a character listed here
takes over the pattern and, unless `bytes` says otherwise, the byte that the base has there::

    title = "Invented national variant"
    base = "ebcdic"
    [holes]
    "§" = "8-3"

A character is written as itself or as U+ and its number. Every character, pattern and byte may
stand once only: a table that is not one to one is refused with both cells named.
"""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from deckwright.cards.holes import format_pattern, parse_pattern
from deckwright.errors import ConfigError, Fault

_NUMBERED = re.compile(r"U\+([0-9A-Fa-f]{4,6})")
_BYTE = re.compile(r"[0-9A-Fa-f]{2}")
_REMARK = re.compile(r"#\s*(title|source)\s*:\s*(.*)")
_TOML_KEYS = {"title", "source", "base", "holes", "bytes"}
_LINE_IN_MESSAGE = re.compile(r"line (\d+)")


@dataclass(frozen=True, slots=True)
class Cell:
    """One row of a code table: a character, its pattern, its byte (None: the code has no bytes)."""

    character: str
    pattern: int
    byte: int | None
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class CodeFile:
    """A code table as it stands in its file."""

    title: str
    source: str
    cells: list[Cell]
    base: str = ""


@dataclass(slots=True)
class _Notes:
    """Faults of one file, kept until all are known."""

    file: str
    faults: list[Fault] = field(default_factory=list)

    def add(self, line: int, what: str) -> None:
        self.faults.append(Fault(self.file, line, what))

    def attempt(self, line: int, read: Callable[[str], int], text: str) -> int | None:
        """Return what `read` makes of the text, or None once the fault is entered."""
        try:
            return read(text)
        except ValueError as error:
            self.add(line, str(error))
            return None

    def cell(self, line: int, char: str, holes: str, byte: str | None) -> Cell | None:
        """Return a cell, or None once its faults are entered."""
        number = self.attempt(line, _character, char)
        pattern = self.attempt(line, parse_pattern, holes)
        value = None if byte is None else self.attempt(line, _byte, byte)
        if number is None or pattern is None or (byte is not None and value is None):
            return None
        return Cell(chr(number), pattern, value, self.file, line)


def read_code_file(path: Path) -> CodeFile:
    """Read a code table from a CSV or TOML file.

    Raises:
        ConfigError: the file cannot be read, or cells are wrong; names every one with its line.
    """
    try:
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise ConfigError([Fault(str(path), 0, f"cannot be read: {error.strerror}")]) from error
    except UnicodeDecodeError as error:
        what = f"is not UTF-8 text (byte {error.start + 1}); save it as UTF-8"
        raise ConfigError([Fault(str(path), 0, what)]) from error
    return parse_code_file(text, str(path))


def parse_code_file(text: str, file: str) -> CodeFile:
    """Read a code table from the text of a CSV file, or of a TOML file if `file` ends so.

    Raises:
        ConfigError: cells are wrong, or the table is not one to one.
    """
    notes = _Notes(file)
    table = _from_toml(text, notes) if file.endswith(".toml") else _from_csv(text, notes)
    if not notes.faults and not table.cells:
        notes.add(0, "holds no characters")
    notes.faults += clashes(table.cells)
    if notes.faults:
        raise ConfigError(notes.faults)
    return table


def clashes(cells: list[Cell]) -> list[Fault]:
    """Return a fault for every character, pattern or byte that stands in two cells."""
    faults: list[Fault] = []
    seen: dict[tuple[str, object], Cell] = {}
    for cell in cells:
        for key, what in _claims(cell):
            first = seen.setdefault(key, cell)
            if first is not cell:
                who = f"{_shown(cell.character)} and {_shown(first.character)}"
                place = f"{first.file}:{first.line}"
                faults.append(Fault(cell.file, cell.line, f"{who} ({place}) {what}; keep one"))
    return faults


def _claims(cell: Cell) -> Iterator[tuple[tuple[str, object], str]]:
    yield ("character", cell.character), "are the same character"
    holes = format_pattern(cell.pattern) or "blank"
    yield ("holes", cell.pattern), f"are both punched {holes}"
    if cell.byte is not None:
        yield ("byte", cell.byte), f"both have the byte {cell.byte:02X}"


def _from_csv(text: str, notes: _Notes) -> CodeFile:
    lines = text.splitlines()
    said = {"title": "", "source": ""}
    above = 0
    while above < len(lines) and (lines[above].startswith("# ") or not lines[above].strip()):
        if remark := _REMARK.match(lines[above]):
            said[remark[1]] = remark[2].strip()
        above += 1
    reader = csv.reader(lines[above:])
    header = next(reader, [])
    if not {"char", "holes"} <= set(header):
        notes.add(above + 1, "the header must name the columns 'char' and 'holes'")
        return CodeFile("", "", [])
    cells = [
        notes.cell(above + reader.line_num, *_parts(header, row)) for row in reader if any(row)
    ]
    return CodeFile(said["title"], said["source"], [cell for cell in cells if cell is not None])


def _parts(header: list[str], row: list[str]) -> tuple[str, str, str | None]:
    named = dict(zip(header, row, strict=False))
    byte = named.get("byte_hex", "") if "byte_hex" in header else None
    return named.get("char", ""), named.get("holes", ""), byte


def _from_toml(text: str, notes: _Notes) -> CodeFile:
    try:
        tables: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = _LINE_IN_MESSAGE.search(str(error))
        notes.add(int(line[1]) if line else 0, f"is not valid TOML: {error}")
        return CodeFile("", "", [])
    for key in sorted(set(tables) - _TOML_KEYS):
        notes.add(
            _line_of(text, key), f"unknown key {key!r}; known: {', '.join(sorted(_TOML_KEYS))}"
        )
    for key in ("title", "source", "base"):
        if not isinstance(tables.get(key, ""), str):
            notes.add(_line_of(text, key), f"{key!r} must be a text")
    cells = _toml_cells(text, tables, notes)
    return CodeFile(
        title=str(tables.get("title", "")),
        source=str(tables.get("source", "")),
        cells=cells,
        base=str(tables.get("base", "")),
    )


def _toml_cells(text: str, tables: dict[str, Any], notes: _Notes) -> list[Cell]:
    holes, values = tables.get("holes", {}), tables.get("bytes", {})
    for name, table in (("holes", holes), ("bytes", values)):
        if not isinstance(table, dict) or not all(isinstance(v, str) for v in table.values()):
            notes.add(_line_of(text, name), f"{name!r} must be a table of texts")
            return []
    for char in sorted(set(values) - set(holes)):
        notes.add(_line_of(text, char, "bytes"), f"{char!r} has a byte but no holes")
    whole = bool(values) and "base" not in tables
    above = _line_of(text, "holes")  # of a table written in one line
    cells = [
        notes.cell(
            _line_of(text, char, "holes") or above,
            char,
            name,
            values.get(char, "" if whole else None),
        )
        for char, name in holes.items()
    ]
    return [cell for cell in cells if cell is not None]


def _line_of(text: str, key: str, section: str = "") -> int:
    """Return the line (from 1) on which a key is set, 0 when it stands in no line of its own."""
    here = ""
    for number, line in enumerate(text.splitlines(), 1):
        if heading := re.match(r"\s*\[\s*([\w-]+)\s*\]", line):
            here = heading[1]
            if here == key and not section:
                return number
        elif here == section and key in _keys(line):
            return number
    return 0


def _keys(line: str) -> dict[str, Any]:
    try:
        return tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return {}


def _character(text: str) -> int:
    numbered = _NUMBERED.fullmatch(text)
    if numbered and int(numbered[1], 16) <= 0x10FFFF:  # noqa: PLR2004 # the last character
        return int(numbered[1], 16)
    if len(text) == 1:
        return ord(text)
    msg = f"{text!r} is not one character; write it as itself or as U+0041"
    raise ValueError(msg)


def _byte(text: str) -> int:
    if _BYTE.fullmatch(text):
        return int(text, 16)
    msg = f"{text!r} is not a byte; write two hexadecimal digits for every character or for none"
    raise ValueError(msg)


def _shown(character: str) -> str:
    return repr(character) if character.isprintable() else f"U+{ord(character):04X}"

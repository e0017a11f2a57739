"""The shapes that the bytes of a deck can have, seen in samples from all across it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.holes import parse_pattern
from deckwright.wording import percent

Cells = NDArray[np.uint8] | NDArray[np.uint16]

HEAD = 65_536
"""Bytes from the beginning that are looked at."""

_STRETCHES = 32
_CARDS = 1_024
_COLUMNS = 80
_ROWS = 12
_PIECE = 4_096
_MOST_DESCRIBED = 400  # records that are followed by their descriptor words
_DESCRIPTOR = 4
_LONGEST = 32_760
_LABEL = 80
_MOST_LABELS = 64
_CODES = ("ascii", "cp037")
_AT_START = re.compile(r"(VOL|UVL|HDR|UHL)[1-9A-Z]")
_AT_END = re.compile(r"(EOF|EOV|UTL)[1-9A-Z]")
_LINE_END = 0x0A
_FEW_LINES = 3
_FITS, _NEARLY = 0.98, 0.99  # of the lines
_HOLES_SAID = 0.4  # taken from text that names nothing but holes
_CONTROL = np.array([byte < 32 and byte not in {9, 10, 13} for byte in range(256)])  # noqa: PLR2004 # ASCII


@dataclass(frozen=True, slots=True)
class Shape:
    """Cards as one medium reads them.

    options: its table, without the code. cells: raw bytes uint8 (n, L), or patterns uint16 (n, L).
    keeps: 0 to 1, how well its rules are kept. evidence: the same in words. proof: 0 to 1, how
    little its rules would be kept by chance. doubt: what else may be meant, in words.
    """

    options: Mapping[str, str | int]
    cells: Cells
    keeps: float
    evidence: str
    proof: float = 0.0
    doubt: str = ""


@dataclass(slots=True)
class DeckBytes:
    """Samples of a deck."""

    file: BinaryIO
    size: int
    head: bytes = field(init=False)

    def __post_init__(self) -> None:
        self.head = self.part(0, HEAD)

    def part(self, offset: int, size: int) -> bytes:
        """Return bytes of the deck, fewer at its end."""
        self.file.seek(offset)
        parts = []
        while size and (piece := self.file.read(size)):
            parts.append(piece)
            size -= len(piece)
        return b"".join(parts)

    def records(self, size: int, start: int = 0, end: int | None = None) -> NDArray[np.uint8]:
        """Return records (n, size) of the bytes from start to end, from all across the deck."""
        whole = ((self.size if end is None else end) - start) // size
        if whole <= 0:
            return np.zeros((0, size), np.uint8)
        each = _CARDS // _STRETCHES
        if whole <= _CARDS:
            firsts, each = [0], whole
        else:
            firsts = np.linspace(0, whole - each, _STRETCHES).astype(np.int64).tolist()
        data = b"".join(self.part(start + first * size, each * size) for first in firsts)
        return np.frombuffer(data[: len(data) // size * size], np.uint8).reshape(-1, size)

    def stretch(self, start: int = 0, end: int | None = None) -> NDArray[np.uint8]:
        """Return uint8 (k), bytes in one piece from the middle between start and end."""
        last = self.size if end is None else end
        at = max(start, (start + last - HEAD) // 2)
        return np.frombuffer(self.part(at, min(HEAD, last - at)), np.uint8)

    def lines(self) -> list[bytes]:
        """Return whole lines without their ends, from all across the deck."""
        if self.size <= HEAD:
            return self.head.splitlines()
        found = self.head.splitlines()[:-1]
        for offset in np.linspace(HEAD, self.size - _PIECE, _STRETCHES).astype(np.int64).tolist():
            found += self.part(max(0, offset), _PIECE).splitlines()[1:-1]
        return found


def text_shapes(data: DeckBytes) -> Iterator[Shape]:
    """Yield the ways in which the bytes can be lines of text."""
    values = np.frombuffer(data.head, np.uint8)
    if not (values == _LINE_END).any() and b"\r" not in data.head:
        return
    clean = 1 - float(_CONTROL[values].mean())
    lines = data.lines()
    if not lines:
        return
    holes = list(_transcripts(data, lines))
    yield from holes
    widths = [len(line) for line in lines]
    width = _line_width(widths)
    fits = sum(one <= width for one in widths) / len(widths)
    chosen = lines[:: -(-len(lines) // _CARDS)]
    # a tab is no character of a card, but neither does it speak against lines of text
    cells = b"".join(line[:width].replace(b"\t", b" ").ljust(width) for line in chosen)
    options: dict[str, str | int] = {"kind": "text"}
    if width != _COLUMNS:
        options["record_length"] = width
    evidence = f"{len(lines):,} lines, {percent(fits)} of them no wider than {width} bytes"
    matrix = np.frombuffer(cells, np.uint8).reshape(-1, width)
    only = 1 - _HOLES_SAID * max((shape.keeps for shape in holes), default=0.0)
    keeps = clean**4 * fits * only
    proof = keeps * (1 - 0.5 ** min(len(lines), 20))
    yield Shape(options, matrix, keeps, evidence, proof)


def _line_width(widths: list[int]) -> int:
    """Return the columns of cards whose lines have these widths.

    Lines that all have one width have it for a reason. Else trailing blanks are left out, and the
    lines are those of cards unless more of them are longer than a few odd ones.
    """
    filled = sorted(width for width in widths if width)
    if not filled:
        return _COLUMNS
    longest = filled[-1]
    if len(filled) >= _FEW_LINES and filled[0] == longest:
        return min(longest, _LONGEST)
    if filled[int(_FITS * (len(filled) - 1))] <= _COLUMNS:
        return _COLUMNS
    nearly = filled[int(_NEARLY * (len(filled) - 1))]
    return min(longest if longest <= 1.5 * nearly else nearly, _LONGEST)


def descriptor_shapes(data: DeckBytes, labels: int) -> Iterator[Shape]:
    """Yield records that are told by their descriptor words."""
    blocks = False
    for form, blocked in (("variable-blocked", True), ("variable", False)):
        records, right = _described(data, labels, blocked=blocked)
        if not right or not records:
            continue
        # words of blocks can be followed as words of records too, but not the other way about
        proof = 0.0 if blocks else 1 - 0.5 ** len(records)
        blocks = blocked
        cells = b"".join(record[:_COLUMNS].ljust(_COLUMNS, _filler(record)) for record in records)
        options: dict[str, str | int] = {"kind": "records", "form": form}
        if labels:
            options["labels"] = "standard"
        evidence = f"{len(records):,} descriptor words lead from one to the next"
        matrix = np.frombuffer(cells, np.uint8).reshape(-1, _COLUMNS)
        yield Shape(options, matrix, 1.0, evidence, proof)


def label_bytes(data: DeckBytes, *, at_end: bool = False) -> int:
    """Return how many bytes tape labels take at the beginning, or at the end, of a deck."""
    if not at_end:
        count = 0
        while count < _MOST_LABELS and _is_label(data.head, count * _LABEL, _AT_START):
            count += 1
        return count * _LABEL
    tail = data.part(max(0, data.size - _MOST_LABELS * _LABEL), _MOST_LABELS * _LABEL)
    count = 0
    while _is_label(tail, len(tail) - (count + 1) * _LABEL, _AT_END):
        count += 1
    return count * _LABEL


def _is_label(data: bytes, at: int, names: re.Pattern[str]) -> bool:
    label = data[at : at + _LABEL] if at >= 0 else b""
    return len(label) == _LABEL and any(
        names.match(label.decode(code, "replace")) for code in _CODES
    )


def _transcripts(data: DeckBytes, lines: list[bytes]) -> Iterator[Shape]:
    filled = [line.strip() for line in lines if line.strip()]
    if not filled:
        return
    patterns = {text: _pattern(text) for text in set(filled)}
    right = sum(patterns[text] >= 0 for text in filled) / len(filled)
    between = "empty-line" if len(filled) < len(lines) else "count"
    if right > 0.5:  # noqa: PLR2004 # more than not
        values = np.array([max(0, patterns[text]) for text in filled], np.uint16)
        rows = len(values) // _COLUMNS
        cells = values[: rows * _COLUMNS].reshape(rows, -1) if rows else values[None, :]
        evidence = f"{percent(right)} of lines name the rows of a column"
        options = {"kind": "transcript", "form": "columns", "between": between}
        proof = right * (1 - 0.5 ** min(len(filled), 20))
        yield Shape(options, cells, right, evidence, proof)
    yield from _mark_shapes(data, filled, between)


def _mark_shapes(data: DeckBytes, filled: list[bytes], between: str) -> Iterator[Shape]:
    marks = Counter(b"".join(filled))
    # only lines from the beginning are known to begin with a card's first row
    first = [line.strip() for line in data.head.splitlines() if line.strip()]
    first = first[: len(first) // _ROWS * _ROWS]
    width = len(filled[0])
    if data.size <= HEAD and len(filled) % _ROWS:
        return
    if len(marks) > 2 or not first or any(len(line) != width for line in filled):  # noqa: PLR2004 # hole and none
        return
    none, *holes = [mark for mark, _ in marks.most_common()]
    hole = holes[0] if holes else ord("1")
    rows = np.frombuffer(b"".join(first), np.uint8).reshape(-1, _ROWS, width) == hole
    for order, turned in (("12-first", rows), ("9-first", rows[:, ::-1])):
        bits = np.uint16(1) << np.arange(_ROWS - 1, -1, -1, dtype=np.uint16)
        cells = (turned * bits[None, :, None]).sum(axis=1, dtype=np.uint16)
        options: dict[str, str | int] = {"kind": "transcript", "form": "rows", "order": order}
        options |= {"between": between, "hole": chr(hole), "no_hole": chr(none)}
        if width != _COLUMNS:
            options["record_length"] = width
        evidence = f"lines of {width} marks, {chr(hole)!r} and {chr(none)!r}"
        yield Shape(options, cells, 1.0, evidence, 1.0)


def _pattern(text: bytes) -> int:
    try:
        return parse_pattern(text.decode("ascii"))
    except ValueError:
        return -1


def _described(data: DeckBytes, start: int, *, blocked: bool) -> tuple[list[bytes], bool]:
    """Follow some descriptor words; return the records, and whether every word can be one."""
    head, at, block_end = data.head, start, start
    end = data.size - (label_bytes(data, at_end=True) if start else 0)
    records: list[bytes] = []
    while at < end and len(records) < _MOST_DESCRIBED:
        if at + _LONGEST + _DESCRIPTOR > len(head) and len(head) < end and records:
            break
        if blocked and at == block_end:
            size = _size(head, at)
            if size <= 2 * _DESCRIPTOR or at + size > end:
                return records, False
            block_end, at = at + size, at + _DESCRIPTOR
        size = _size(head, at)
        if size < _DESCRIPTOR or at + size > (block_end if blocked else end):
            return records, False
        records.append(head[at + _DESCRIPTOR : at + size])
        at += size
    return records, True


def _size(head: bytes, at: int) -> int:
    """Return what a descriptor word says, 0 where it can be none."""
    word = head[at : at + _DESCRIPTOR]
    if len(word) < _DESCRIPTOR or word[2] or word[3]:
        return 0
    size = int.from_bytes(word[:2], "big")
    return size if size <= _LONGEST else 0


def _filler(record: bytes) -> bytes:
    """Return the blank of the code that a record seems to be in."""
    return b"\x40" if record.count(b"\x40") >= record.count(b" ") else b" "

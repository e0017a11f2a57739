"""Cards between two passes: written to work files by one, gathered by the next."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable
from deckwright.cards.values import Values
from deckwright.engine.planning.configs import Configs
from deckwright.layout.tray import Reading, Tray


@dataclass(frozen=True, slots=True)
class Column:
    """A column of one spilled tray: dtype, items a card, place in the file."""

    dtype: str
    items: int
    offset: int
    kind: str = ""
    scale: int = 0


@dataclass(frozen=True, slots=True)
class Block:
    """One spilled tray. starts: int64 (ranges + 1), first card of each range within the tray.

    first_card, last_card: lowest and highest card number in it. state: of its cards alone, for the
    scan that the cards come to next.
    """

    file: str
    starts: NDArray[np.int64]
    columns: dict[str, Column]
    readings: tuple[tuple[str, bool], ...]
    first_card: int = 0
    last_card: int = 0
    state: Any = None


@dataclass(slots=True)
class SpillWriter:
    """Writes trays to one work file, made with the first; nothing is ever rewritten."""

    path: Path
    blocks: list[Block] = field(default_factory=list)
    _offset: int = 0
    _file: Any = None

    def add(self, tray: Tray, starts: NDArray[np.int64], state: Any = None) -> None:
        """Write a tray whose cards are already grouped by range."""
        if self._file is None:
            self.path.parent.mkdir(exist_ok=True)
            self._file = self.path.open("xb", buffering=0)
        columns = {}
        for name, array, kind, scale in _columns(tray):
            data = np.ascontiguousarray(array)
            items = int(np.prod(data.shape[1:], dtype=np.int64))
            columns[name] = Column(data.dtype.str, items, self._offset, kind, scale)
            self._offset += _write(self._file, data)
        readings = tuple((_name(reading), reading.native) for reading in tray.readings)
        low, high = (int(tray.cards.min()), int(tray.cards.max())) if len(tray) else (0, 0)
        self.blocks.append(Block(str(self.path), starts, columns, readings, low, high, state))

    def close(self) -> None:
        """Close the work file."""
        if self._file is not None:
            self._file.close()


def _name(reading: Reading) -> str:
    name = getattr(reading.layout, "name", "")
    return str(name)


def _write(file: Any, data: NDArray[Any]) -> int:
    view = data.reshape(-1).view(np.uint8).data if data.size else memoryview(b"")
    total = len(view)
    while view:
        view = view[file.write(view) :]
    return total


def _columns(tray: Tray) -> Iterator[tuple[str, NDArray[Any], str, int]]:
    small = len(tray) == 0 or int(tray.cards.max()) < 2**32
    yield "cards", tray.cards.astype(np.uint32) if small else tray.cards, "", 0
    yield "text", tray.text, "", 0
    for name in ("holes", "lengths", "native"):
        array = getattr(tray, name)
        if array is not None:
            yield name, array, "", 0
    for name, values in tray.added.items():
        yield f"+{name}", values.data, values.kind, values.scale
        if values.missing is not None:
            yield f"-{name}", values.missing, "", 0


class Gatherer:
    """Reads cards back from the work files of a pass."""

    def __init__(self, code: CodeTable, configs: Configs) -> None:
        """Take what trays are made with: the code of their bytes, layouts and decks of the run."""
        self._code = code
        self._configs = configs
        self._files: dict[str, int] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        for descriptor in self._files.values():
            os.close(descriptor)

    def range(self, blocks: list[Block]) -> Tray:
        """Return all cards of the range that these blocks are narrowed to, in arrival order."""
        return self._join([(b, int(b.starts[0]), int(b.starts[1])) for b in blocks])

    def whole(self, block: Block) -> Tray:
        """Return a spilled tray as it was."""
        return self._join([(block, 0, int(block.starts[-1]))])

    def some(self, block: Block, rows: int, pieces: int) -> Tray:
        """Return a sample of a spilled tray: so many cards at most, in pieces spread over it."""
        count = int(block.starts[-1])
        if rows >= count:
            return self.whole(block)
        size = max(1, rows // pieces)
        starts = [(count - size) * at // max(1, pieces - 1) for at in range(pieces)]
        return self._join([(block, start, start + size) for start in dict.fromkeys(starts)])

    def whole_of(self, blocks: list[Block]) -> Tray:
        """Return several spilled trays as one."""
        return self._join([(block, 0, int(block.starts[-1])) for block in blocks])

    def _join(self, pieces: list[tuple[Block, int, int]]) -> Tray:
        total = sum(stop - start for _, start, stop in pieces)
        names = dict.fromkeys(name for block, _, _ in pieces for name in block.columns)
        arrays = {name: self._column(name, pieces, total) for name in names}
        first, reader = pieces[0][0], self._configs.reader
        added = {}
        for name in names:
            if name.startswith("+"):
                column = next(b.columns[name] for b, _, _ in pieces if name in b.columns)
                missing = arrays.get("-" + name[1:])
                mask = None if missing is None else missing.astype(np.bool_, copy=False)
                added[name[1:]] = Values(column.kind, arrays[name], mask, column.scale)  # type: ignore[arg-type] # kind was a ValueKind when written
        return Tray(
            cards=arrays["cards"].astype(np.int64),
            text=arrays["text"],
            code=self._code,
            holes=arrays.get("holes"),
            lengths=arrays.get("lengths"),
            native=arrays.get("native"),
            readings=tuple(Reading(reader(name), native) for name, native in first.readings),
            added=added,
            decks=self._configs.run_decks,
        )

    def _column(self, name: str, pieces: list[tuple[Block, int, int]], total: int) -> NDArray[Any]:
        have = [block.columns[name] for block, _, _ in pieces if name in block.columns]
        items = max(column.items for column in have)
        dtype = np.dtype(max((column.dtype for column in have), key=lambda d: np.dtype(d).itemsize))
        flat = (
            name in {"cards", "lengths"}
            or name.startswith("-")
            or (name.startswith("+") and have[0].kind not in {"text", "holes"})
        )
        out = np.empty(total if flat else (total, items), dtype)
        place = 0
        for block, start, stop in pieces:
            part = out[place : place + stop - start]
            place += stop - start
            column = block.columns.get(name)
            if column is None:
                # a tray without lengths has full records, one without a mask misses nothing
                part[...] = block.columns["text"].items if name == "lengths" else 0
            elif column.items == items and np.dtype(column.dtype) == dtype:
                self._read(block.file, part, column, start)
            else:
                narrow = np.empty((stop - start, column.items), column.dtype)
                self._read(block.file, narrow, column, start)
                part[...] = 32 if have[0].kind == "text" else 0
                if flat:
                    part[...] = narrow[:, 0]
                else:
                    part[:, : column.items] = narrow
        return out

    def _read(self, file: str, out: NDArray[Any], column: Column, start: int) -> None:
        if not out.size:
            return
        if file not in self._files:
            self._files[file] = os.open(file, os.O_RDONLY)
        size = column.items * np.dtype(column.dtype).itemsize
        view = out.reshape(-1).view(np.uint8).data
        offset = column.offset + start * size
        while view:
            got = os.preadv(self._files[file], [view], offset)
            if not got:
                msg = f"work file {file} is shorter than it was written"
                raise OSError(msg)
            view, offset = view[got:], offset + got

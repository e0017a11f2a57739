"""Stretches of outputs: written by tasks, joined in order."""

from __future__ import annotations

import hashlib
import mmap
import os
from collections.abc import Iterator
from io import FileIO
from pathlib import Path

import numpy as np
from typing_extensions import override

from deckwright.engine.passes.tasks import PartFile, journal_folder, parts_folder
from deckwright.journal.columns import pl_cards
from deckwright.journal.segment import write_parquet
from deckwright.plugin.values import Part

_PIECE = 1 << 17


class PartWriter:
    """The stretches that one task writes, one for each output.

    keep: hold them in memory, in a task of the process that joins them; else in work files.
    """

    def __init__(self, work: Path, name: str, *, keep: bool) -> None:
        self._work, self._name, self._keep = work, name, keep
        self._kept: dict[str, list[bytes | memoryview]] = {}
        self._files: dict[str, FileIO] = {}
        self._rows: dict[str, int] = {}
        self._sizes: dict[str, list[int]] = {}
        self._cards: dict[str, list[np.ndarray[tuple[int], np.dtype[np.int64]]]] = {}

    def add(self, parts: list[Part]) -> None:
        """Append what a sink made of one tray."""
        for part in parts:
            self._rows[part.file] = self._rows.get(part.file, 0) + part.rows
            self._sizes.setdefault(part.file, []).append(len(part.data))
            if self._keep:
                self._kept.setdefault(part.file, []).append(part.data)
            else:
                self._write(part)
            if part.cards is not None:
                self._cards.setdefault(part.file, []).append(part.cards)

    def _write(self, part: Part) -> None:
        if part.file not in self._files:
            path = parts_folder(self._work) / f"{self._name}-{len(self._files)}"
            path.parent.mkdir(exist_ok=True)
            self._files[part.file] = path.open("xb", buffering=0)
        view = memoryview(part.data)
        while view:
            view = view[self._files[part.file].write(view) :]

    def close(self) -> None:
        """Close the work files."""
        for file in self._files.values():
            file.close()

    def files(self) -> list[PartFile]:
        """Return what was written; the cards of partial outputs go into the journal."""
        found = []
        for number, name in enumerate(self._rows):
            path = parts_folder(self._work) / f"{self._name}-{number}"
            cards = self._cards.get(name)
            if cards is not None:
                journal = journal_folder(self._work) / f"{self._name}.lines-{name}.parquet"
                write_parquet(pl_cards(np.concatenate(cards)), journal)
            kept = self._kept.get(name, [])
            size = sum(map(len, kept)) if self._keep else path.stat().st_size
            place = "" if self._keep else str(path)
            sizes = self._sizes.get(name, [])
            found.append(PartFile(name, place, size, self._rows[name], kept, sizes))
        return found


class Joiner:
    """One output file, made of its stretches in order; its SHA-256 grows along."""

    def __init__(self, path: Path, head: bytes) -> None:
        self._file = path.open("xb", buffering=0)
        self._hash = hashlib.sha256()
        self.rows = 0
        self.size = 0
        self._put(head)

    def append(self, part: Part) -> None:
        """Append a stretch that was made at the end of the run."""
        self.rows += part.rows
        self._put(part.data)

    def add(self, part: PartFile) -> None:
        """Append a stretch and remove its work file."""
        self.rows += part.rows
        for block in part.kept:
            self._put(block)
        part.kept.clear()  # results live to the end of the run, their bytes must not
        if not part.path:
            return
        path = Path(part.path)
        if part.size:
            with path.open("rb", buffering=0) as source:
                self._look_at(source)
                self._copy(source.fileno(), part.size)
        path.unlink()

    def _look_at(self, source: FileIO) -> None:
        """Take a work file into the SHA-256."""
        with mmap.mmap(source.fileno(), 0, access=mmap.ACCESS_READ) as data:
            self._hash.update(data)

    def _copy(self, source: int, size: int) -> None:
        """Append a whole file inside the kernel; its bytes never come into this process."""
        self.size += size
        while size:
            size -= os.sendfile(self._file.fileno(), source, None, size)

    def _put(self, block: bytes | memoryview) -> None:
        self._account(block)
        self.size += len(block)
        view = memoryview(block)
        while view:
            view = view[self._file.write(view) :]

    def _account(self, block: bytes | memoryview) -> None:
        self._hash.update(block)

    def close(self) -> str:
        """Close the file; return its SHA-256."""
        self._file.close()
        return self._hash.hexdigest()


class Draft(Joiner):
    """What trays gave for a file that is made after the last card; it has no SHA-256 of its own."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(exist_ok=True)
        super().__init__(path, b"")
        self._path = path
        self._sizes: list[int] = []

    @override
    def add(self, part: PartFile) -> None:
        self._sizes += part.sizes
        super().add(part)

    @override
    def _look_at(self, source: FileIO) -> None:
        pass

    @override
    def _account(self, block: bytes | memoryview) -> None:
        pass

    def pieces(self) -> Iterator[bytes]:
        """Yield what each tray gave, in order; one is in memory at a time."""
        with self._path.open("rb") as file:
            for size in filter(None, self._sizes):
                yield file.read(size)

    def remove(self) -> None:
        """Remove the work file."""
        self._path.unlink()


def sha256_of(path: Path | str) -> str:
    """Return the SHA-256 of a file, read piece by piece."""
    digest = hashlib.sha256()
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        while block := os.read(descriptor, _PIECE):
            digest.update(block)
    finally:
        os.close(descriptor)
    return digest.hexdigest()

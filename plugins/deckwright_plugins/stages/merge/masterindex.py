"""An index over a master's keys: built once a run in work files, shared by all processes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright import CodeTable, FieldShape, MasterError, Values, cut, values_of
from deckwright_plugins.shared.mapped import KEPT, drop, mapped

Words = NDArray[np.uint64]
Records = NDArray[np.int64]
KEYS_A_SHARD = 1_000_000
_MIX = np.uint64(0x9E3779B97F4A7C15)


def key_words(columns: list[Values]) -> Words:
    """Return uint64 (words, n) that are equal where all keys are equal; text in 8-byte pieces."""
    words: list[Words] = []
    for values in columns:
        if values.data.ndim == 1:
            words.append(values.data.astype(np.int64).view(np.uint64))
            continue
        text = values.data.astype(np.uint8, copy=False)
        for first in range(1, text.shape[1] + 1, 8):
            last = min(first + 7, text.shape[1])
            block = np.zeros((len(text), 8), np.uint8)
            block[:, : last - first + 1] = cut(text, first, last)
            words.append(block.view("<u8").reshape(-1))
    return np.vstack(words)


def _shards_of(words: Words, shards: int) -> NDArray[np.int64]:
    mixed = words[0] * _MIX
    for word in words[1:]:
        mixed = (mixed ^ word) * _MIX
    shard: NDArray[np.int64] = ((mixed >> np.uint64(40)) % np.uint64(shards)).astype(np.int64)
    return shard


@dataclass(frozen=True, slots=True)
class Found:
    """What was found for keys. records: int64 (n), from 1, 0 = none; repeated: bool (n)."""

    records: Records
    repeated: NDArray[np.bool_]


class IndexBuilder:
    """Takes the master batch by batch and writes the index; holds one shard of keys at a time."""

    def __init__(
        self, folder: Path, name: str, shapes: list[FieldShape], code: CodeTable, records: int
    ) -> None:
        """Prepare an index over so many records."""
        self.folder, self.name, self.shapes, self.code = folder, name, shapes, code
        self.records = records
        self.unusable = 0
        self._sample = ""
        self._count = 0
        shards = max(1, -(-records // KEYS_A_SHARD))
        self._raw = [(folder / f"{shard}.raw").open("xb") for shard in range(shards)]
        self._words = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        for file in self._raw:
            file.close()

    def add(self, keys: pl.DataFrame) -> None:
        """Take the key columns of the next batch."""
        columns, usable = self._columns(keys)
        self.unusable += int((~usable).sum())
        if not usable.all() and not self._sample:
            self._sample = " ".join(str(v) for v in keys.row(int(np.flatnonzero(~usable)[0])))
        rows = np.flatnonzero(usable)
        words = key_words([values.take(rows) for values in columns])
        self._words = len(words)
        records = (rows + self._count + 1).astype(np.uint64)
        place = _shards_of(words, len(self._raw))
        for shard, file in enumerate(self._raw):
            mine = np.flatnonzero(place == shard)
            file.write(np.vstack([words[:, mine], records[mine]]).T.tobytes())
        self._count += len(keys)

    def _columns(self, keys: pl.DataFrame) -> tuple[list[Values], NDArray[np.bool_]]:
        usable = np.ones(len(keys), np.bool_)
        columns = []
        for series, shape in zip(keys.get_columns(), self.shapes, strict=True):
            values, fits = _as_key(series, shape, self.code)
            usable &= fits
            columns.append(values)
        return columns, usable

    def close(self) -> None:
        """Write the index.

        Raises:
            MasterError: no key is of the cards' form.
        """
        self.__exit__()
        if self.unusable == self._count:
            shape = ", ".join(f"{s.kind} of {s.width} columns" for s in self.shapes)
            what = f"has no key of the cards' form ({shape})"
            if not any(each.personal for each in self.shapes):
                what += f"; its first key is {self._sample!r}"
            raise MasterError(self.name, what)
        for shard in range(len(self._raw)):
            path = self.folder / f"{shard}.raw"
            table = np.fromfile(path, np.uint64).reshape(-1, self._words + 1).T
            _write_shard(self.folder / str(shard), table[:-1], table[-1].astype(np.int64))
            path.unlink()
        facts = {"shards": len(self._raw), "records": self._count}
        (self.folder / "index.json").write_text(json.dumps(facts))


def _as_key(
    series: pl.Series, shape: FieldShape, code: CodeTable
) -> tuple[Values, NDArray[np.bool_]]:
    """Return a key column in the form of the card field, and where it is usable."""
    present = series.is_not_null().to_numpy()
    if shape.kind == "text":
        text = series.cast(pl.String).str.strip_chars_end(" ")
        width = text.str.len_chars().fill_null(0).to_numpy()
        fits = width == shape.width if shape.digits else width <= shape.width
        if shape.digits:
            fits = fits & text.str.contains("^[0-9]+$").fill_null(value=False).to_numpy()
        text = text.set(pl.Series(~fits), None)
        values, misfit = values_of(text, "text", 0, shape.width, code.alphabet)
        return values, present & fits & ~misfit
    dtype = pl.Date() if shape.kind == "date" else pl.Decimal(38, shape.scale)
    typed = series.cast(dtype, strict=False)
    values, misfit = values_of(typed, shape.kind, shape.scale, 0)
    return values, typed.is_not_null().to_numpy() & ~misfit


def _write_shard(folder: Path, words: Words, records: Records) -> None:
    folder.mkdir(parents=True)
    dense = words[0]
    if len(words) > 1:
        dense = np.zeros(words.shape[1], np.uint64)
        for number, word in enumerate(words):
            distinct, ranks = np.unique(word, return_inverse=True)
            np.save(folder / f"distinct{number}.npy", distinct)
            dense = dense * np.uint64(len(distinct) + 1) + ranks.astype(np.uint64)
            if number + 1 < len(words):  # ranks of pairs stay small enough for 64 bits
                pairs, ranks = np.unique(dense, return_inverse=True)
                np.save(folder / f"pairs{number}.npy", pairs)
                dense = ranks.astype(np.uint64)
    order = np.argsort(dense, kind="stable")
    np.save(folder / "keys.npy", dense[order])
    np.save(folder / "records.npy", records[order])


class MasterIndex:
    """Looks keys up; the work files are mapped, so that all processes share the memory."""

    def __init__(self, folder: Path) -> None:
        facts = json.loads((folder / "index.json").read_text())
        self.records = int(facts["records"])
        size = sum(path.stat().st_size for path in folder.rglob("*.npy"))
        self._shards = [
            _Shard(folder / str(shard), keeps=size <= KEPT) for shard in range(int(facts["shards"]))
        ]

    def find(self, words: Words, *, last: bool = False) -> Found:
        """Return the record (n, from 1; 0 = none) of each key, and where several have it."""
        count = words.shape[1]
        if len(self._shards) == 1:
            return self._shards[0].find(words, last=last)
        records, repeated = np.zeros(count, np.int64), np.zeros(count, np.bool_)
        place = _shards_of(words, len(self._shards))
        for number, shard in enumerate(self._shards):
            rows = np.flatnonzero(place == number)
            if rows.size:
                found = shard.find(words[:, rows], last=last)
                records[rows], repeated[rows] = found.records, found.repeated
        return Found(records, repeated)

    def repeated(self) -> Iterator[list[int]]:
        """Yield the records of each key that several records have."""
        for shard in self._shards:
            yield from shard.repeats()


class _Shard:
    """A part of the index. keeps: it stays in memory between two look-ups."""

    def __init__(self, folder: Path, *, keeps: bool) -> None:
        self._keys: NDArray[np.uint64] = mapped(folder / "keys.npy")
        self._records: Records = mapped(folder / "records.npy")
        self._distinct = [mapped(p) for p in sorted(folder.glob("distinct*.npy"), key=_number)]
        self._pairs = [mapped(p) for p in sorted(folder.glob("pairs*.npy"), key=_number)]
        self._unique = bool((self._keys[1:] != self._keys[:-1]).all())
        self._keeps = keeps
        self._drop()

    def _drop(self) -> None:
        if not self._keeps:
            drop([self._keys, self._records, *self._distinct, *self._pairs])

    def find(self, words: Words, *, last: bool) -> Found:
        known = np.ones(words.shape[1], np.bool_)
        dense = words[0]
        if self._distinct:
            dense = np.zeros(words.shape[1], np.uint64)
            for number, word in enumerate(words):
                ranks = _rank(self._distinct[number], word, known)
                dense = dense * np.uint64(len(self._distinct[number]) + 1) + ranks
                if number < len(self._pairs):
                    dense = _rank(self._pairs[number], dense, known)
        found = self._find(dense, known, last=last)
        self._drop()
        return found

    def _find(self, dense: NDArray[np.uint64], known: NDArray[np.bool_], *, last: bool) -> Found:
        size = len(self._keys)
        left = np.searchsorted(self._keys, dense)
        at = np.minimum(left, size - 1) if size else left
        hit = known & (self._keys[at] == dense) if size else np.zeros(len(dense), np.bool_)
        repeated = np.zeros(len(dense), np.bool_)
        if not self._unique:
            after = np.searchsorted(self._keys, dense, side="right")
            repeated = hit & (after - left > 1)
            if last:
                at = np.maximum(after - 1, 0)
        records = np.where(hit, self._records[at], 0) if size else np.zeros(len(dense), np.int64)
        return Found(records.astype(np.int64), repeated)

    def repeats(self) -> Iterator[list[int]]:
        if self._unique:
            return
        same = np.flatnonzero(self._keys[1:] == self._keys[:-1])
        for key in np.unique(self._keys[same]) if same.size else ():
            left, right = (
                np.searchsorted(self._keys, key),
                np.searchsorted(self._keys, key, side="right"),
            )
            yield [int(record) for record in self._records[left:right]]
        self._drop()


def _rank(distinct: NDArray[Any], word: Words, known: NDArray[np.bool_]) -> Words:
    if not len(distinct):
        known[:] = False
        return np.zeros(len(word), np.uint64)
    at = np.minimum(np.searchsorted(distinct, word), len(distinct) - 1)
    known &= distinct[at] == word
    return at.astype(np.uint64)


def _number(path: Path) -> int:
    return int("".join(c for c in path.stem if c.isdigit()))

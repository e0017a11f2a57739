"""One segment of the journal: what one task did, as columns over the cards that came to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codetable import Alphabet
from deckwright.cards.values import Values
from deckwright.journal.columns import span_column, text_column, with_gaps
from deckwright.journal.sealing import sealed
from deckwright.journal.tables import ENTRY_SCHEMA, FATE_SCHEMA
from deckwright.layout.expressions import series
from deckwright.layout.personal import Personal, Seal
from deckwright.plugin.book import Entry

RowPlaces = NDArray[np.intp]
Matrix = NDArray[np.uint8]


@dataclass(slots=True)
class _Chunk:
    rows: RowPlaces
    data: Matrix | NDArray[np.generic] | pl.Series


@dataclass(slots=True)
class Segment:
    """Collects while a task runs; rows are the cards in the order in which they came.

    cards_known: the cards are those that the task before left, so they are not written again.
    personal: what is personal at each stage; `seal` says what is written in its place.
    """

    alphabet: Alphabet
    cards_known: bool = False
    seal: Seal = field(default_factory=Seal)
    personal: Mapping[int, Personal] = field(default_factory=dict)
    cards: list[NDArray[np.int64]] = field(default_factory=list)
    count: int = 0
    arrived: int = 0
    _order: list[RowPlaces] = field(default_factory=list)
    _columns: dict[str, list[_Chunk]] = field(default_factory=dict)
    _entries: list[tuple[int, Entry]] = field(default_factory=list)
    _fates: list[pl.DataFrame] = field(default_factory=list)

    def arrive(self, cards: NDArray[np.int64]) -> RowPlaces:
        """Enter cards that come to the task; return their rows."""
        rows = np.arange(self.count, self.count + len(cards))
        self.cards.append(cards)
        self.count += len(cards)
        self.arrived += len(cards)
        self._order.append(rows)
        return rows

    def insert(self, stage: int, cards: NDArray[np.int64], rows: RowPlaces) -> RowPlaces:
        """Enter cards that a stage added among those of the last tray.

        Args:
            stage: number of the stage.
            cards: int64 (k), the cards that go on, in order.
            rows: int (k), their rows; -1 for an added card.

        Returns:
            int (k), the rows, with those of the added cards.
        """
        added = np.flatnonzero(rows < 0)
        rows = rows.copy()
        rows[added] = np.arange(self.count, self.count + len(added))
        self.cards.append(cards[added])
        self.count += len(added)
        self.fate(stage, "added", "", cards[added])
        self._order[-1] = _woven(self._order[-1], rows, added)
        return rows

    def column(self, name: str, rows: RowPlaces, data: NDArray[np.generic] | pl.Series) -> None:
        """Enter values of a column for these rows; a uint8 (k, w) matrix is text."""
        self._columns.setdefault(name, []).append(_Chunk(rows, data))

    def values(self, name: str, rows: RowPlaces, values: Values) -> None:
        """Enter values of a field for these rows."""
        self.column(name, rows, series(values, name, self.alphabet))

    def fate(self, stage: int, fate: str, reason: str, cards: NDArray[np.int64]) -> None:
        """Enter cards that leave the chain at a stage."""
        if len(cards):
            frame = pl.DataFrame({"card": cards}).with_columns(
                pl.lit(stage, pl.UInt16).alias("stage"),
                pl.lit(fate).alias("fate"),
                pl.lit(reason).alias("reason"),
            )
            self._fates.append(frame)

    def entry(self, stage: int, entry: Entry) -> None:
        """Enter a reason that a stage gave."""
        self._entries.append((stage, entry))

    def write(self, folder: Path, name: str) -> dict[str, pl.DataFrame]:
        """Write the segment's files into the folder; return what they hold, by file name."""
        tables = {f"{name}.{part}.parquet": table for part, table in self._tables()}
        for file, table in tables.items():
            write_parquet(table, folder / file)
        return tables

    def _tables(self) -> Iterator[tuple[str, pl.DataFrame]]:
        rows = self._rows()
        if rows.width:
            yield "rows", rows
        entries = entry_table(self._entries, self.alphabet) if self._entries else None
        if entries is not None and entries.height:
            if any(self.personal.values()):
                entries = sealed(entries, self.personal, self.seal)
            yield "entries", entries
        if self._fates:
            yield "fates", pl.concat(self._fates, how="vertical").select(FATE_SCHEMA.names())

    def _rows(self) -> pl.DataFrame:
        cards = np.concatenate(self.cards) if self.cards else np.zeros(0, np.int64)
        columns: dict[str, pl.Series] = {}
        if self.count != self.arrived:
            order = pl.Series(np.concatenate(self._order))
            names = sorted(self._columns)
            columns = {name: self._join(self._columns[name]).gather(order) for name in names}
            return pl.DataFrame({"card": pl.Series(cards).gather(order), **columns})
        if len(cards) and not self.cards_known and not _runs_on(cards):
            small = int(cards.max()) < 2**32
            columns["card"] = pl.Series(cards.astype(np.uint32) if small else cards)
        for name, chunks in sorted(self._columns.items()):
            columns[name] = self._join(chunks)
        return pl.DataFrame(columns)

    def _join(self, chunks: list[_Chunk]) -> pl.Series:
        rows = np.concatenate([chunk.rows for chunk in chunks])
        first = chunks[0].data
        if isinstance(first, pl.Series):
            column = pl.concat(
                [chunk.data for chunk in chunks if isinstance(chunk.data, pl.Series)]
            )
        else:
            data = np.concatenate([chunk.data for chunk in chunks])
            column = span_column(data, self.alphabet) if data.ndim > 1 else pl.Series(data)
        if len(rows) == self.count and (self.count == 0 or bool((np.diff(rows) == 1).all())):
            return column
        return with_gaps(column, rows, self.count)


def entry_table(entries: list[tuple[int, Entry]], alphabet: Alphabet) -> pl.DataFrame:
    """Return entries, at least one, as one table, a row a card and reason."""
    sizes = np.array([len(entry.cards) for _, entry in entries])
    which = np.repeat(np.arange(len(entries)), sizes)
    words = pl.DataFrame(
        [
            (stage, e.severity, e.reason, e.field, *(e.columns or (None, None)), e.detail)
            for stage, e in entries
        ],
        schema={
            name: ENTRY_SCHEMA[name]
            for name in ("stage", "severity", "reason", "field", "first", "last", "detail")
        },
        orient="row",
    )
    found = [_found(entry, alphabet) for _, entry in entries]
    column = [
        np.zeros(len(e.cards), np.uint16) if e.column is None else e.column.astype(np.uint16)
        for _, e in entries
    ]
    table = words[which].with_columns(
        pl.Series("card", np.concatenate([entry.cards for _, entry in entries])),
        pl.concat(found).alias("found"),
        pl.Series("column", np.concatenate(column)).replace(0, None),
    )
    if any(entry.details is not None for _, entry in entries):
        said = [_details(entry) for _, entry in entries]
        table = table.with_columns(pl.concat(said).alias("detail"))
    return table.select(ENTRY_SCHEMA.names())


def _found(entry: Entry, alphabet: Alphabet) -> pl.Series:
    if isinstance(entry.found, np.ndarray):
        return text_column(entry.found, alphabet)
    return pl.Series(entry.found or [None] * len(entry.cards), dtype=pl.String)


def _details(entry: Entry) -> pl.Series:
    details = [entry.detail] * len(entry.cards) if entry.details is None else list(entry.details)
    return pl.Series(details, dtype=pl.String)


def write_parquet(frame: pl.DataFrame, path: Path) -> None:
    """Write a journal table. zstd 1: measured as small as level 3 here, and faster."""
    frame.write_parquet(path, compression="zstd", compression_level=1, statistics=False)


def _woven(order: RowPlaces, rows: RowPlaces, added: RowPlaces) -> RowPlaces:
    """Return the rows of a tray in order, each added one right after the row that it follows."""
    sorter = np.argsort(order, kind="stable")
    old = np.setdiff1d(np.arange(len(rows)), added)
    places = np.full(len(rows), -1.0)
    places[old] = sorter[np.searchsorted(order, rows[old], sorter=sorter)]
    last = np.maximum.accumulate(places)
    fraction = (np.arange(len(rows)) + 1) / (len(rows) + 1)
    keys = np.concatenate([np.arange(len(order), dtype=float), (last + fraction)[added]])
    return np.concatenate([order, rows[added]])[np.argsort(keys, kind="stable")]


def _runs_on(cards: NDArray[np.int64]) -> bool:
    return int(cards[-1] - cards[0]) == len(cards) - 1 and bool((np.diff(cards) == 1).all())

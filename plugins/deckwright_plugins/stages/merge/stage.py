"""Merge: meet every card with its master record; four outcomes, counted."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    Bench,
    Book,
    Closing,
    FieldShape,
    Known,
    MasterError,
    OptionProblem,
    Setting,
    Stage,
    StageConfig,
    Tray,
    TrayStage,
    Values,
    hookimpl,
    unknown_name,
)
from deckwright_plugins.stages.merge.masterfile import MasterConfig, MasterFile
from deckwright_plugins.stages.merge.masterindex import IndexBuilder, MasterIndex, key_words
from deckwright_plugins.stages.merge.mastertaken import Taken, TakenWriter

_NAMED = 5  # repeated keys that a message names


class MergeConfig(StageConfig):
    """Match cards with a master."""

    master: str | MasterConfig
    """A name of [files], or a table with `file` and how it is held."""
    match: dict[str, str] = Field(min_length=1)
    """Card field = master column; all must be equal."""
    take: dict[str, str] = Field(default_factory=dict)
    """New field = master column to take over."""
    unmatched: Literal["return", "keep"] = "return"
    """What becomes of cards without master."""
    duplicates: Literal["error", "first", "last", "return"] = "error"
    """When several master records have one key: stop, take the first or last of the file, or
    return the cards that meet it."""


class MergeStage(TrayStage[MergeConfig]):
    """Meets cards with a master."""

    kind = "merge"

    def __init__(self, config: MergeConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        named = config.master
        self.file = MasterFile(
            MasterConfig(file=named) if isinstance(named, str) else named, setting
        )
        self.derived = frozenset(config.take)
        self._known = Known()
        self._records = 0
        self._index: MasterIndex | None = None
        self._taken: dict[str, Taken] = {}

    @override
    def outline(self, known: Known) -> Known:
        for name, column in self.config.match.items():
            shape = known.need(name, "match", name)
            if shape.kind == "holes":
                what = f"field {name!r} holds patterns and cannot be a key"
                raise OptionProblem(what, "match", name)
            self._column(column, "match", name)
        shapes: dict[str, FieldShape] = {}
        for name, column in self.config.take.items():
            if name in known.fields:
                what = (
                    f"the cards have a field {name!r} already; take the column under another name"
                )
                raise OptionProblem(what, "take", name)
            shapes[name] = self._column(column, "take", name)
        self._known = known
        self.file.personal = self._personal_columns(known)
        shapes = {
            name: replace(shape, personal=self.config.take[name] in self.file.personal)
            for name, shape in shapes.items()
        }
        return known.with_fields(shapes)

    def _personal_columns(self, known: Known) -> frozenset[str]:
        """Return the columns of the master that are personal, or must equal a personal field."""
        columns = self.file.shapes
        named = {name for name, one in columns.items() if one.personal} | self.setting.personal
        named |= {c for name, c in self.config.match.items() if known.need(name).personal}
        named |= {c for name, c in self.config.take.items() if name in self.setting.personal}
        return frozenset(named & columns.keys())

    def _column(self, column: str, *path: str) -> FieldShape:
        if column not in self.file.shapes:
            names = list(self.file.shapes)
            what = unknown_name(f"column of master {self.file.name!r}", column, names)
            raise OptionProblem(what, *path)
        return self.file.shapes[column]

    @property
    def _columns(self) -> list[str]:
        return list(dict.fromkeys([*self.config.match.values(), *self.config.take.values()]))

    @override
    def prepare(self, bench: Bench) -> None:
        assert self._known.code is not None  # noqa: S101 # every chain begins with a code
        folder = bench.folder / "index"
        folder.mkdir()
        self._records, widths = self._survey()
        shapes = [
            replace(self._known.need(name), personal=column in self.file.personal)
            for name, column in self.config.match.items()
        ]
        builder = IndexBuilder(folder, self.file.name, shapes, self._known.code, self._records)
        keys = [pl.col(c).alias(str(i)) for i, c in enumerate(self.config.match.values())]
        with ExitStack() as stack:
            stack.enter_context(builder)
            writers = [
                stack.enter_context(self._writer(bench, number, column, widths))
                for number, column in enumerate(self.config.take.values())
            ]
            start = 0
            for batch in self.file.batches(self._columns):
                builder.add(batch.select(keys))
                for writer, column in zip(writers, self.config.take.values(), strict=True):
                    writer.add(batch[column], start)
                start += len(batch)
        builder.close()
        self._check_repeats(MasterIndex(folder))
        (bench.folder / "unusable").write_text(str(builder.unusable))

    def _survey(self) -> tuple[int, dict[str, int]]:
        """Count the records, and find the longest text of each column that is taken over.

        Raises:
            MasterError: there are no records.
        """
        count = 0
        widths: dict[str, int] = {}
        for batch in self.file.batches(self._columns):
            count += len(batch)
            for column in self.config.take.values():
                if self.file.shapes[column].kind == "text":
                    longest = batch[column].cast(pl.String).str.len_chars().max()
                    wide = longest if isinstance(longest, int) else 1
                    widths[column] = max(widths.get(column, 1), wide)
        if not count:
            what = "holds no records"
            raise MasterError(self.file.name, what)
        return count, widths

    def _writer(
        self, bench: Bench, number: int, column: str, widths: dict[str, int]
    ) -> TakenWriter:
        assert self._known.code is not None  # noqa: S101 # every chain begins with a code
        shape = self.file.shapes[column]
        shape = replace(shape, personal=column in self.file.personal)
        width = widths.get(column, 0)
        place = bench.folder / f"take{number}"
        return TakenWriter(place, shape, width, self._records, self._known.code, self.file.name)

    def _check_repeats(self, index: MasterIndex) -> None:
        if self.config.duplicates != "error":
            return
        repeats = [records for _, records in zip(range(_NAMED + 1), index.repeated(), strict=False)]
        if repeats:
            named = "; ".join("records " + " and ".join(map(str, r[:3])) for r in repeats[:_NAMED])
            more = " and more" if len(repeats) > _NAMED else ""
            what = (
                f"has the same key in {named}{more}; put the master right, or say which counts "
                "with duplicates = 'first', 'last' or 'return'"
            )
            raise MasterError(self.file.name, what)

    @override
    def masters(self) -> dict[str, int]:
        return {self.file.name: self._records}

    @override
    def open(self, bench: Bench) -> None:
        self._index = MasterIndex(bench.folder / "index")
        for number, (name, column) in enumerate(self.config.take.items()):
            shape = self.file.shapes[column]
            self._taken[name] = Taken(bench.folder / f"take{number}", shape)

    @override
    def run(self, tray: Tray, book: Book) -> Tray:
        assert self._index is not None  # noqa: S101 # open comes first
        names = list(self.config.match)
        tray.load(names)
        keys = [tray.values(name) for name in names]
        found = self._index.find(key_words(keys), last=self.config.duplicates == "last")
        records = found.records
        for values in keys:
            if values.missing is not None:
                records = np.where(values.missing, 0, records)
        without = records == 0
        book.tally("matched", int((~without).sum()))
        book.tally("without_master", int(without.sum()))
        book.tally("repeated_key", int(found.repeated.sum()))
        book.met(tray, self.file.name, records)
        severity: Literal["fatal", "query"] = (
            "fatal" if self.config.unmatched == "return" else "query"
        )
        detail = f"master {self.file.name!r} has no record with this key"
        book.fault(tray, without, "no-master", field=names[0], detail=detail, severity=severity)
        if self.config.duplicates == "return":
            detail = f"master {self.file.name!r} has several records with this key"
            book.fault(tray, found.repeated, "repeated-master", field=names[0], detail=detail)
        kept = book.settle_rows(tray)
        if len(kept) != len(tray):
            tray, records = tray.take(kept), records[kept]
        return self._take(tray, records)

    def _take(self, kept: Tray, records: np.ndarray[Any, np.dtype[np.int64]]) -> Tray:
        rows = np.maximum(records - 1, 0)
        none = records == 0
        for name, column in self._taken.items():
            taken = column.take(rows)
            if none.any():
                data, missing = taken.data.copy(), ~taken.present() | none
                data[none] = 32 if taken.kind == "text" else 0
                taken = Values(taken.kind, data, missing, taken.scale)
            kept = kept.with_field(name, taken)
        return kept

    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        met = closing.met[self.file.name][1:]
        name = f"{self.file.name}-without-card.csv"
        closing.write(name, self._without_card(met))
        facts: dict[str, int | str] = dict(closing.tallies)
        facts["masters"] = len(met)
        facts["masters_without_card"] = int(len(met) - np.count_nonzero(met))
        facts["unusable_master_keys"] = int((closing.bench.folder / "unusable").read_text())
        return facts

    def _without_card(self, met: NDArray[np.bool_]) -> Iterator[bytes]:
        """Yield the master records that no card met, with their record numbers, as CSV.

        Args:
            met: bool (n), by record.
        """
        start = 0
        columns = [name for name in self.file.shapes if name not in self.file.personal]
        for batch in self.file.batches(columns or self._columns):
            alone = np.flatnonzero(~met[start : start + len(batch)])
            frame = batch[alone].select(pl.Series("record", alone + start + 1), *columns)
            yield frame.write_csv(include_header=start == 0, line_terminator="\r\n").encode()
            start += len(batch)


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [MergeStage]

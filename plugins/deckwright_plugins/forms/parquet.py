"""The form parquet: typed columns in row groups of a fixed size."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
from polars.io.plugins import register_io_source
from typing_extensions import override

from deckwright import Bench, FieldShape, Form, TableConfig, TableForm, Tray, hookimpl
from deckwright_plugins.shared.frames import packed, unpacked

_MOST_ROWS, _FEWEST_ROWS = 131_072, 1_024
_GROUP_BYTES = 32 * 2**20
"""Size of a row group before it is compressed, roughly; some of them are in memory at once."""

_WIDE = 16
"""Bytes of a decimal, and of a text beside its characters."""


class ParquetConfig(TableConfig):
    """Deliver a Parquet file: whole numbers, exact decimals, dates and texts, missing as null."""


class ParquetForm(TableForm[ParquetConfig]):
    """Writes a Parquet file."""

    kind = "parquet"

    @override
    def body(self, tray: Tray) -> bytes:
        return packed(self.frame(tray))

    @override
    def complete(self, pieces: Iterator[bytes], place: Path, bench: Bench) -> None:
        def frames(
            columns: list[str] | None,
            predicate: pl.Expr | None,
            rows: int | None,
            batch: int | None,
        ) -> Iterator[pl.DataFrame]:
            del columns, predicate, rows, batch  # all of them are asked for
            yield from map(unpacked, pieces)

        source = register_io_source(frames, schema=self.types())
        source.sink_parquet(place, row_group_size=self._rows_a_group(), engine="streaming")

    def _rows_a_group(self) -> int:
        """Return how many rows make a group: it follows from the columns, not from the cards."""
        rows = _GROUP_BYTES // max(1, sum(map(_bytes_of, self.shapes)))
        return min(_MOST_ROWS, max(_FEWEST_ROWS, rows))


def _bytes_of(shape: FieldShape) -> int:
    return _WIDE + (shape.width if shape.kind in {"text", "holes"} else 0)


@hookimpl
def deckwright_forms() -> list[type[Form[Any]]]:
    """Bring the form."""
    return [ParquetForm]

"""Columns taken over from a master: kept in work files, mapped by every process."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO, Self

import numpy as np
import polars as pl
from numpy.lib import format as npy
from numpy.typing import NDArray

from deckwright import CodeTable, FieldShape, MasterError, Values, values_of
from deckwright_plugins.shared.mapped import KEPT, drop, mapped, rows_by_stretches

_DTYPES = {"text": np.uint8, "whole": np.int64, "decimal": np.int64, "date": np.int32}


class TakenWriter:
    """Writes one column, batch by batch, as field values in the characters of the deck's code."""

    def __init__(
        self,
        place: Path,
        shape: FieldShape,
        width: int,
        records: int,
        code: CodeTable,
        master: str,
    ) -> None:
        """Open the work files for a column of so many records; width: longest text."""
        self._shape, self._width, self._code, self._master = shape, width, code, master
        dtype = np.dtype(_DTYPES[shape.kind])
        size = (records, width) if shape.kind == "text" else (records,)
        self._data = _open(place.with_suffix(".npy"), dtype, size)
        self._missing = _open(place.with_suffix(".none.npy"), np.dtype(np.bool_), (records,))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self._data.close()
        self._missing.close()

    def add(self, column: pl.Series, start: int) -> None:
        """Write the values of the next records; start: records before them.

        Raises:
            MasterError: a text holds a character that the deck's code lacks.
        """
        shape = self._shape
        if shape.kind == "text":
            column = column.cast(pl.String)
        alphabet = self._code.alphabet
        values, misfit = values_of(column, shape.kind, shape.scale, self._width, alphabet)
        if misfit.any():
            row = int(np.flatnonzero(misfit)[0])
            said = "a personal text" if shape.personal else repr(column[row])
            what = (
                f"record {start + row + 1}: {said} holds a character that the deck's "
                f"code {self._code.name!r} lacks"
            )
            raise MasterError(self._master, what)
        self._data.write(np.ascontiguousarray(values.data).tobytes())
        self._missing.write((~values.present()).tobytes())


def _open(path: Path, dtype: np.dtype[Any], size: tuple[int, ...]) -> BinaryIO:
    file = path.open("xb")
    header = {"descr": npy.dtype_to_descr(dtype), "fortran_order": False, "shape": size}
    npy.write_array_header_1_0(file, header)
    return file


class Taken:
    """A column that a TakenWriter has written, mapped from its work files."""

    def __init__(self, place: Path, shape: FieldShape) -> None:
        """Map the column."""
        data = mapped(place.with_suffix(".npy"))
        missing = mapped(place.with_suffix(".none.npy"))
        some = bool(missing.any())
        self._values = Values(shape.kind, data, missing if some else None, shape.scale)
        self._large = data.nbytes + missing.nbytes * some > KEPT
        drop([missing] if self._large else [])

    def take(self, rows: NDArray[np.integer]) -> Values:
        """Return the values of these records (k, from 0)."""
        values = self._values
        if not self._large:
            return values.take(rows)
        missing = None if values.missing is None else rows_by_stretches(values.missing, rows)
        return replace(values, data=rows_by_stretches(values.data, rows), missing=missing)

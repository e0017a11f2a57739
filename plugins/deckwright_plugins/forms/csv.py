"""The form csv: RFC 4180 with a table schema beside it."""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from typing_extensions import override

from deckwright import Form, TableConfig, TableForm, Tray, hookimpl

_BLANK = 32
_SPECIAL = (34, 44, 10, 13)  # quote, comma, line feed, carriage return: RFC 4180 wants quotes


class CsvConfig(TableConfig):
    """Deliver a CSV by RFC 4180, with a table schema beside it."""


class CsvForm(TableForm[CsvConfig]):
    """Writes a CSV."""

    kind = "csv"

    @override
    def head(self) -> bytes:
        return _head(tuple(self.headings))

    @override
    def body(self, tray: Tray) -> bytes:
        return _csv(self.frame(tray), header=False, plain=self._is_plain(tray))

    @override
    def schema(self) -> dict[str, Any]:
        return super().schema() | {"missingValues": [""]}

    def _is_plain(self, tray: Tray) -> bool:
        """Return whether no text of these cards needs quotes; they cost time where none do."""
        for column, shape in zip(self.columns, self.shapes, strict=True):
            if shape.kind == "holes":
                return False
            if shape.kind == "text":
                values = tray.values(column.field)
                if _holds_special(values.data) or _has_empty(values.missing, values.data):
                    return False
        return True


def _has_empty(missing: NDArray[np.bool_] | None, data: NDArray[Any]) -> bool:
    """Return whether some text is blank without being missing: it is written as ""."""
    begins = data[:, 0] == _BLANK
    if missing is not None:
        begins &= ~missing
    rows = np.flatnonzero(begins)
    return bool(rows.size) and bool((data[rows] == _BLANK).all(axis=1).any())


def _holds_special(data: NDArray[Any]) -> bool:
    return any(bool((data == byte).any()) for byte in _SPECIAL)


@lru_cache(maxsize=64)
def _head(headings: tuple[str, ...]) -> bytes:
    """Return the first line of a CSV; it is asked for several times in a run."""
    return _csv(pl.DataFrame({name: [] for name in headings}), header=True)


def _csv(frame: pl.DataFrame, *, header: bool, plain: bool = False) -> bytes:
    buffer = io.BytesIO()
    frame.write_csv(
        buffer,
        include_header=header,
        line_terminator="\r\n",
        quote_style="never" if plain else "necessary",
    )
    return buffer.getvalue()


@hookimpl
def deckwright_forms() -> list[type[Form[Any]]]:
    """Bring the form."""
    return [CsvForm]

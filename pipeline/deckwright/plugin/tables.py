"""Tables that a stage keeps: rows that it enters beside the cards, delivered as CSV."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.values import ValueKind
from deckwright.jsontext import indented
from deckwright.wording import nearest

CARD_COLUMNS = ("card", "deck", "card_in_deck")
"""The columns that every table begins with."""

Column = Sequence[Any] | NDArray[Any] | pl.Series
"""Values of one column (k); missing ones are None, or null."""

PRECISION = 38
"""Digits of a decimal column."""

SCHEMA_TYPES: Mapping[ValueKind, str] = {
    "text": "string",
    "whole": "integer",
    "decimal": "number",
    "date": "date",
    "holes": "string",
}
"""What a table schema calls the values of a column."""

_NAME = re.compile(r"[a-z][a-z0-9_-]*")
_TYPES = {"text": pl.String, "whole": pl.Int64, "date": pl.Date}


@dataclass(frozen=True)
class Table:
    """What a stage declares of a table.

    columns: name to kind (text, whole, decimal, date), in order. decimals: digits after the point
    of each decimal column, 2 where it is not named. title: what the control sheet calls it.
    on_sheet: its first rows stand on the control sheet.
    """

    columns: Mapping[str, ValueKind]
    decimals: Mapping[str, int] | None = None
    title: str = ""
    on_sheet: bool = False

    def faults(self, name: str) -> list[str]:
        """Return what is wrong with the declaration, in sentences."""
        found = []
        if not _NAME.fullmatch(name):
            found.append(f"table {name!r}: a name is small letters, digits, - and _")
        for column, kind in self.columns.items():
            if column in CARD_COLUMNS:
                found.append(f"table {name!r}: every table has a column {column!r} already")
            if kind not in {*_TYPES, "decimal"}:
                found.append(f"table {name!r}: column {column!r} cannot be of kind {kind!r}")
        return found

    @cached_property
    def schema(self) -> pl.Schema:
        """The types of the columns that the stage fills."""
        places = self.decimals or {}
        types: dict[str, pl.DataType] = {}
        for name, kind in self.columns.items():
            decimal = pl.Decimal(PRECISION, places.get(name, 2))
            types[name] = decimal if kind == "decimal" else _TYPES[kind]()
        return pl.Schema(types)

    def frame(self, name: str, columns: Mapping[str, Column]) -> pl.DataFrame:
        """Return rows in the declared types and order.

        Raises:
            ValueError: a column is missing, not declared, of another length or type.
        """
        if odd := sorted(set(columns) ^ set(self.columns)):
            lies = "is not declared" if odd[0] in columns else "is missing"
            msg = f"table {name!r}: column {odd[0]!r} {lies}"
            raise ValueError(msg)
        made = []
        for column, wanted in self.schema.items():
            try:
                values = columns[column]
                series = values if isinstance(values, pl.Series) else pl.Series(list(values))
                made.append(_exactly(series, wanted).alias(column))
            except (pl.exceptions.PolarsError, TypeError, ValueError, OverflowError) as error:
                msg = f"table {name!r}: column {column!r} is no {self.columns[column]} ({error})"
                raise ValueError(msg) from error
        if len({len(series) for series in made}) > 1:
            msg = f"table {name!r}: its columns differ in length"
            raise ValueError(msg)
        return pl.DataFrame(made)


def _exactly(series: pl.Series, wanted: pl.DataType) -> pl.Series:
    """Return values as this type; one that would change is refused.

    Raises:
        ValueError: a value would be rounded, or a number is no exact one.
    """
    if series.dtype.is_float():
        msg = "floating-point numbers are not exact; give whole numbers or decimals"
        raise ValueError(msg)
    if wanted == pl.String and series.dtype not in {pl.String, pl.Null}:
        msg = f"its values are of type {series.dtype}"
        raise ValueError(msg)
    made = series.cast(wanted)
    if isinstance(wanted, pl.Decimal) and series.dtype.is_decimal():
        back = made.cast(series.dtype)
        if not back.equals(series):
            msg = f"a value has more than {wanted.scale} decimals"
            raise ValueError(msg)
    return made


def table_named(tables: Mapping[str, Table], name: str) -> Table:
    """Return one of the tables that a stage declares.

    Raises:
        ValueError: it declares none of this name; says which come near.
    """
    if name not in tables:
        msg = f"there is no table {name!r}; {nearest(name, tables)}"
        raise ValueError(msg)
    return tables[name]


def schema_beside(file: str, schema: Mapping[str, object]) -> dict[str, bytes]:
    """Return the file with the table schema of a delivery, which goes beside it."""
    return {f"{file}.schema.json": (indented(schema) + "\n").encode()}


@dataclass(frozen=True, slots=True)
class TableRows:
    """Rows (k) of one table, entered for cards of one tray. places: int (k), from 0 in the tray."""

    table: str
    places: NDArray[np.intp]
    cards: NDArray[np.int64]
    frame: pl.DataFrame


def file_of(table: str) -> str:
    """Return the delivery in which a table lies."""
    return f"{table}.csv"

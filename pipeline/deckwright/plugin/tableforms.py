"""Forms that are tables: a column for each field that is asked for, with a table schema."""

from __future__ import annotations

from typing import Any, TypeVar

import polars as pl
from pydantic import Field
from typing_extensions import override

from deckwright.jobs.base import ConfigModel
from deckwright.layout.tray import Tray
from deckwright.plugin.forms import Form, FormConfig
from deckwright.plugin.guard import OptionProblem
from deckwright.plugin.stages import FieldShape, Known
from deckwright.plugin.tables import PRECISION, SCHEMA_TYPES


class ColumnConfig(ConfigModel):
    """One column of a table."""

    field: str
    """The field; `card` is the card number."""
    name: str = Field(default="", alias="as")
    """Heading, when it is not the field's name."""
    decimals: int | None = Field(default=None, ge=0, le=18)
    """Digits after the point; never fewer than the value has."""


class TableConfig(FormConfig):
    """Options of a form that is a table."""

    columns: list[str | ColumnConfig] = Field(default_factory=list)
    """The columns; the card number and all fields but personal ones when left out."""


ConfigT = TypeVar("ConfigT", bound=TableConfig)


class TableForm(Form[ConfigT]):
    """A form that is a table.

    Attributes:
        columns: the columns, in their order.
        shapes: what is known of the field of each.
        headings: the name of each; no two are equal.
    """

    @override
    def outline(self, known: Known) -> None:
        listed = self.config.columns or [
            "card", *(name for name, shape in known.fields.items() if not shape.personal)
        ]  # fmt: skip
        self.columns = [ColumnConfig(field=c) if isinstance(c, str) else c for c in listed]
        self.shapes = [_need(known, c.field, "columns", i) for i, c in enumerate(self.columns)]
        self.headings = [column.name or column.field for column in self.columns]
        for index, heading in enumerate(self.headings):
            if heading in self.headings[:index]:
                what = f"heading {heading!r} stands twice"
                raise OptionProblem(what, "columns", index)
        for index, (column, shape) in enumerate(zip(self.columns, self.shapes, strict=True)):
            _check_decimals(index, column, shape)

    def frame(self, tray: Tray) -> pl.DataFrame:
        """Return the columns of a tray under their headings.

        Numbers are Int64 or Decimal, days Date, all else String; a missing value is null.
        """
        frame = tray.frame(dict.fromkeys(column.field for column in self.columns))
        columns = []
        for column, heading in zip(self.columns, self.headings, strict=True):
            values = frame[column.field]
            if column.decimals is not None:
                values = values.cast(pl.Decimal(PRECISION, column.decimals))
            columns.append(values.alias(heading))
        return pl.DataFrame(columns)

    def types(self) -> dict[str, pl.DataType]:
        """Return the type of every column that `frame` makes, by heading."""
        return {
            heading: _type(column, shape)
            for heading, column, shape in zip(self.headings, self.columns, self.shapes, strict=True)
        }

    @override
    def schema(self) -> dict[str, Any]:
        fields = [
            _schema_field(heading, column, shape)
            for heading, column, shape in zip(self.headings, self.columns, self.shapes, strict=True)
        ]
        return {"fields": fields, "missingValues": []}


def _need(known: Known, name: str, *path: str | int) -> FieldShape:
    if name == "card":
        return FieldShape("whole", 0, label="Card number")
    return known.need(name, *path)


def _check_decimals(index: int, column: ColumnConfig, shape: FieldShape) -> None:
    if column.decimals is None:
        return
    if shape.kind not in {"whole", "decimal"}:
        what = f"field {column.field!r} is not a number, so it takes no decimals"
        raise OptionProblem(what, "columns", index, "decimals")
    if column.decimals < shape.scale:
        lost = f"{column.decimals} would lose some"
        what = f"field {column.field!r} has {shape.scale} decimals; {lost}"
        raise OptionProblem(what, "columns", index, "decimals")


def _type(column: ColumnConfig, shape: FieldShape) -> pl.DataType:
    if column.decimals is not None:
        return pl.Decimal(PRECISION, column.decimals)
    match shape.kind:
        case "whole":
            return pl.Int64()
        case "decimal":
            return pl.Decimal(PRECISION, shape.scale)
        case "date":
            return pl.Date()
        case "text" | "holes":
            return pl.String()


def _schema_field(heading: str, column: ColumnConfig, shape: FieldShape) -> dict[str, object]:
    kind = "number" if column.decimals else SCHEMA_TYPES[shape.kind]
    field: dict[str, object] = {"name": heading, "type": kind}
    if shape.label:
        field["title"] = shape.label
    if shape.unit:
        field["unit"] = shape.unit
    if shape.kind == "text" and shape.width:
        field["constraints"] = {"maxLength": shape.width}
    if column.field == "card":
        field["constraints"] = {"required": True, "unique": True}
    return field

"""Emit: deliver the cards as CSV, as fixed-width lines, or as a deck again."""

from __future__ import annotations

import io
import json
from abc import ABC, abstractmethod
from collections.abc import Mapping
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    Book,
    CodeTable,
    ConfigModel,
    Expression,
    FieldShape,
    Known,
    Medium,
    OptionProblem,
    Part,
    Setting,
    SinkStage,
    Stage,
    StageConfig,
    Tray,
    UnwritableError,
    hole_patterns,
    hookimpl,
    must_be_without_codes,
    own_fields,
    unknown_name,
)

_BLANK = 32
_SPECIAL = (34, 44, 10, 13)  # quote, comma, line feed, carriage return: RFC 4180 wants quotes


class ColumnConfig(ConfigModel):
    """One column of a CSV."""

    field: str
    """The field; `card` is the card number."""
    name: str = Field(default="", alias="as")
    """Heading, when it is not the field's name."""
    decimals: int | None = Field(default=None, ge=0, le=18)
    """Digits after the point; never fewer than the value has."""


class OutputConfig(ConfigModel):
    """One file of the delivery."""

    file: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    """Its name in the run folder's `out`."""
    form: Literal["csv", "fixed", "deck"]
    """csv: RFC 4180 with a table schema beside it; fixed: lines by a layout; deck: cards again."""
    columns: list[str | ColumnConfig] = Field(default_factory=list)
    """Columns of a CSV; all fields after the card number when left out."""
    where: str = ""
    """Only cards for which this Polars SQL expression holds."""
    medium: dict[str, Any] = Field(default_factory=dict)
    """Medium of a deck; that of the deck which came in when left out."""
    layout: str = ""
    """Layout of fixed-width lines."""


class EmitConfig(StageConfig):
    """Deliver the cards."""

    output: list[OutputConfig] = Field(min_length=1)
    """The files to write."""


class EmitStage(SinkStage[EmitConfig]):
    """Writes deliveries."""

    kind = "emit"

    def __init__(self, config: EmitConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        names = [output.file for output in config.output]
        for index, name in enumerate(names):
            if name in names[:index]:
                what = f"file {name!r} is written twice"
                raise OptionProblem(what, "output", index, "file")
        self._writers: list[_Writer] = []

    @override
    def outline(self, known: Known) -> Known:
        self._writers = []
        for index, output in enumerate(self.config.output):
            try:
                self._writers.append(_FORMS[output.form](output, known, self.setting))
            except OptionProblem as problem:
                raise OptionProblem(problem.what, "output", index, *problem.path) from problem
        return known

    @override
    def files(self) -> dict[str, bytes]:
        return {writer.output.file: writer.head() for writer in self._writers}

    @override
    def beside(self) -> dict[str, bytes]:
        found: dict[str, bytes] = {}
        for writer in self._writers:
            found.update(writer.beside())
        return found

    @override
    def write(self, tray: Tray, book: Book) -> list[Part]:
        parts = []
        for writer in self._writers:
            chosen = writer.choose(tray)
            cards = None if chosen is tray else chosen.cards
            parts.append(Part(writer.output.file, writer.body(chosen), len(chosen), cards))
        return parts


class _Writer(ABC):
    """Writes one file."""

    def __init__(self, output: OutputConfig, known: Known, setting: Setting) -> None:
        self.output, self.known, self.setting = output, known, setting
        self._where: Expression | None = None
        if output.where:
            try:
                self._where = Expression(output.where)
            except ValueError as error:
                raise OptionProblem(str(error), "where") from error
            for name in self._where.names:
                _need(known, name, "where")

    def choose(self, tray: Tray) -> Tray:
        """Return the cards that this file gets; the tray itself when it gets all."""
        if self._where is None:
            return tray
        holds = self._where.evaluate(tray.frame(self._where.names))
        return tray.take(np.flatnonzero(holds.fill_null(value=False).to_numpy()))

    def head(self) -> bytes:
        """Return what the file begins with."""
        return b""

    @abstractmethod
    def body(self, tray: Tray) -> bytes:
        """Return what the cards of a tray put into the file."""

    def beside(self) -> dict[str, bytes]:
        """Return files that go beside it."""
        return {}


def _need(known: Known, name: str, *path: str | int) -> FieldShape:
    if name == "card":
        return FieldShape("whole", 0, label="Card number")
    return known.need(name, *path)


class _CsvWriter(_Writer):
    def __init__(self, output: OutputConfig, known: Known, setting: Setting) -> None:
        super().__init__(output, known, setting)
        listed = output.columns or ["card", *known.fields]
        self.columns = [ColumnConfig(field=c) if isinstance(c, str) else c for c in listed]
        self.shapes = [_need(known, c.field, "columns", i) for i, c in enumerate(self.columns)]
        self.headings = [column.name or column.field for column in self.columns]
        for index, heading in enumerate(self.headings):
            if heading in self.headings[:index]:
                what = f"heading {heading!r} stands twice"
                raise OptionProblem(what, "columns", index)
        for index, (column, shape) in enumerate(zip(self.columns, self.shapes, strict=True)):
            self._check_decimals(index, column, shape)

    @staticmethod
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

    @override
    def head(self) -> bytes:
        return _csv_head(tuple(self.headings))

    @override
    def body(self, tray: Tray) -> bytes:
        frame = tray.frame(dict.fromkeys(column.field for column in self.columns))
        columns = []
        for column, heading in zip(self.columns, self.headings, strict=True):
            values = frame[column.field]
            if column.decimals is not None:
                values = values.cast(pl.Decimal(38, column.decimals))
            columns.append(values.alias(heading))
        return _csv(pl.DataFrame(columns), header=False, plain=self._is_plain(tray))

    def _is_plain(self, tray: Tray) -> bool:
        """Return whether no text of these cards needs quotes; they cost time where none do."""
        for column, shape in zip(self.columns, self.shapes, strict=True):
            if shape.kind == "holes":
                return False
            if shape.kind == "text":
                values = tray.values(column.field)
                if _holds_special(values.data) or self._has_empty(values.missing, values.data):
                    return False
        return True

    @staticmethod
    def _has_empty(missing: NDArray[np.bool_] | None, data: NDArray[Any]) -> bool:
        """Return whether some text is blank without being missing: it is written as ""."""
        begins = data[:, 0] == _BLANK
        if missing is not None:
            begins &= ~missing
        rows = np.flatnonzero(begins)
        return bool(rows.size) and bool((data[rows] == _BLANK).all(axis=1).any())

    @override
    def beside(self) -> dict[str, bytes]:
        fields = [
            _schema_field(heading, column, shape)
            for heading, column, shape in zip(self.headings, self.columns, self.shapes, strict=True)
        ]
        schema = {"fields": fields, "missingValues": [""]}
        text = json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        return {f"{self.output.file}.schema.json": text.encode()}


@lru_cache(maxsize=64)
def _csv_head(headings: tuple[str, ...]) -> bytes:
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


def _holds_special(data: NDArray[Any]) -> bool:
    return any(bool((data == byte).any()) for byte in _SPECIAL)


def _schema_field(heading: str, column: ColumnConfig, shape: FieldShape) -> Mapping[str, object]:
    kinds = {
        "text": "string",
        "whole": "integer",
        "decimal": "number",
        "date": "date",
        "holes": "string",
    }
    kind = "number" if column.decimals else kinds[shape.kind]
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


class _FixedWriter(_Writer):
    def __init__(self, output: OutputConfig, known: Known, setting: Setting) -> None:
        super().__init__(output, known, setting)
        if not output.layout:
            what = "fixed-width lines need the key 'layout'"
            raise OptionProblem(what, "form")
        try:
            self.layout = setting.layout(output.layout)
        except OptionProblem as problem:
            raise OptionProblem(problem.what, "layout") from problem
        must_be_without_codes(self.layout, "a line of text")
        for name in own_fields(self.layout):
            known.need(name, "layout")

    @override
    def body(self, tray: Tray) -> bytes:
        lines = np.full((len(tray), self.layout.width), 32, np.uint8)
        names = own_fields(self.layout)
        tray.load(names)
        failures = self.layout.write({name: tray.values(name) for name in names}, lines)
        for failure in failures:
            card = int(tray.cards[failure.rows[0]])
            msg = f"card {card:,} of the run: field {failure.field!r} {failure.detail}"
            raise ValueError(msg)
        alphabet = tray.code.alphabet
        if not lines.size or int(lines.max()) < 128:  # noqa: PLR2004 # ASCII
            out = np.full((len(lines), self.layout.width + 1), 10, np.uint8)
            out[:, :-1] = lines
            return out.tobytes()
        return b"".join(alphabet.decode(line.tobytes()).encode() + b"\n" for line in lines)

    @override
    def beside(self) -> dict[str, bytes]:
        return {f"{self.output.file}.layout.toml": self.setting.layout_bytes(self.output.layout)}


class _DeckWriter(_Writer):
    def __init__(self, output: OutputConfig, known: Known, setting: Setting) -> None:
        super().__init__(output, known, setting)
        if output.medium:
            try:
                self.medium: Medium[Any] = setting.medium(output.medium)
            except OptionProblem as problem:
                raise OptionProblem(problem.what, "medium") from problem
        elif known.medium is not None:
            self.medium = known.medium
        if output.columns or output.layout:
            what = "a deck is written whole; it takes no columns and no layout"
            raise OptionProblem(what, "form")

    @override
    def body(self, tray: Tray) -> bytes:
        try:
            return self.medium.encode(tray.text, holes_now(tray), None, tray.code.alphabet)
        except UnwritableError as error:
            card = int(tray.cards[error.row])
            error.args = (f"output {self.output.file!r}: card {card:,} of the run, {error}",)
            raise


def holes_now(tray: Tray) -> NDArray[np.uint16] | None:
    """Return the patterns (n, L) of the cards as they now are; None where text says all.

    A column whose text is as it was read keeps the holes that it was read with, legal or not.
    """
    if tray.holes is None or tray.native is None:
        return tray.holes
    holes = _punched(tray.text, tray.code)
    have = min(tray.text.shape[1], tray.native.shape[1])
    same = tray.text[:, :have] == tray.native[:, :have]
    holes[:, :have][same] = tray.holes[:, :have][same]
    return holes


def _punched(text: NDArray[np.uint8], code: CodeTable) -> NDArray[np.uint16]:
    if code.to_holes is None:
        msg = f"code {code.name!r} says nothing of holes"
        raise ValueError(msg)
    patterns = hole_patterns(code, text)
    if (patterns < 0).any():
        msg = unknown_name("hole pattern for a character of code", code.name, [])
        raise ValueError(msg)
    return patterns.astype(np.uint16)


_FORMS: dict[str, type[_Writer]] = {"csv": _CsvWriter, "fixed": _FixedWriter, "deck": _DeckWriter}


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [EmitStage]

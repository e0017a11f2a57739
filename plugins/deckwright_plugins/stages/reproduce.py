"""Reproduce: punch a new card from the fields of the old one, and compare it in full."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal, InvalidOperation
from typing import Any, Literal, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import Field, model_validator
from typing_extensions import override

from deckwright import (
    Book,
    ConfigModel,
    Expression,
    FieldShape,
    Known,
    OptionProblem,
    ScanStage,
    Setting,
    Stage,
    StageConfig,
    Tray,
    Values,
    cut,
    hookimpl,
    kept_rows,
    legal_patterns,
    must_be_without_codes,
    need_kind,
    own_fields,
    plain_digits,
    series,
    shapes_of,
    type_of,
    type_of_shape,
    undefined,
    values_of,
)
from deckwright_plugins.stages.compared import differs

_BLANK = 32


class SequenceConfig(ConfigModel):
    """A number that grows from card to card, in the order in which they come to this stage.

    A card that this stage returns, since a field does not fit, leaves a gap.
    """

    start: int = 1
    """Number of the first card."""
    step: int = Field(default=1, ge=1)
    """What is added from card to card."""
    prefix: str = Field(default="", pattern=r"^[ -~]*$")
    """Text before the number; the number fills the rest of the field."""


class SourceConfig(ConfigModel):
    """Where a field of the new card comes from: exactly one of these."""

    move: str | None = None
    """A field of the old card."""
    constant: str | int | Decimal | None = None
    """The same value on every card."""
    compute: str | None = None
    """A Polars SQL expression over fields."""
    sequence: SequenceConfig | None = None
    """A running number."""

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (
            sum(
                part is not None for part in (self.move, self.constant, self.compute, self.sequence)
            )
            != 1
        ):
            msg = "needs exactly one of move, constant, compute, sequence"
            raise ValueError(msg)
        return self


class ReproduceConfig(StageConfig):
    """Punch a new card from fields: moved, constant, computed, numbered."""

    layout: str
    """Layout of the new card."""
    base: Literal["blank", "card"] = "blank"
    """What stands in columns that no field fills: blanks, or what the old card has there."""
    fields: dict[str, SourceConfig] = Field(default_factory=dict)
    """Where each field of the new card comes from; one that is not listed is moved from the field
    of the same name."""


class ReproduceStage(ScanStage[ReproduceConfig, int]):
    """Makes new card images; each is read again and compared with what it should hold."""

    kind = "reproduce"

    def __init__(self, config: ReproduceConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        try:
            self.layout = setting.layout(config.layout)
        except OptionProblem as problem:
            raise OptionProblem(problem.what, "layout") from problem
        must_be_without_codes(self.layout, "a new card")
        self.scans = any(source.sequence for source in config.fields.values())
        self._shapes = shapes_of(self.layout)
        self._made = {name: self._source(name) for name in self._own_names()}
        self._expressions = {
            name: self._expression(name, source.compute)
            for name, source in self._made.items()
            if source.compute is not None
        }

    def _own_names(self) -> list[str]:
        return own_fields(self.layout)

    def _source(self, name: str) -> SourceConfig:
        return self.config.fields.get(name) or SourceConfig(move=name)

    def _expression(self, name: str, text: str) -> Expression:
        try:
            return Expression(text)
        except ValueError as error:
            what = f"field {name!r}: {error}"
            raise OptionProblem(what, "fields", name) from error

    @override
    def outline(self, known: Known) -> Known:
        for name in self.config.fields:
            if name not in self._made:
                after = Known(fields={own: self._shapes[own] for own in self._made})
                after.need(name, "fields", name)
        for name, source in self._made.items():
            where = ("fields", name) if name in self.config.fields else ("layout",)
            if source.move is not None:
                self._can_move(name, known.need(source.move, *where), where)
            elif source.compute is not None:
                kind = type_of(known, self._expressions[name], *where)
                need_kind(name, self._shapes[name], "what is computed", kind, *where)
            elif source.constant is not None:
                self._constant(name, source.constant)
            elif source.sequence is not None:
                self._can_number(name, source.sequence)
        personal = {name for name in self._made if self._is_personal(name, known)}
        shapes = {
            name: replace(shape, personal=shape.personal or name in personal)
            for name, shape in self._shapes.items()
        }
        kept = known.personal if self.config.base == "card" else ()
        return replace(
            known.with_fields(shapes), layout=self.layout, punched_anew=True, personal=kept
        )

    def _is_personal(self, name: str, known: Known) -> bool:
        """Return whether a field of the new card is made of personal ones."""
        source = self._made[name]
        used = {source.move} if source.move is not None else set()
        if source.compute is not None:
            used = set(self._expressions[name].names)
        return any(known.need(one).personal for one in used)

    def _can_move(self, name: str, shape: FieldShape, where: tuple[str, ...]) -> None:
        target = self._shapes[name]
        if "holes" in (shape.kind, target.kind):
            what = (
                f"field {name!r}: patterns cannot be moved; leave them in place with base = 'card'"
            )
            raise OptionProblem(what, *where)
        moved = repr(self._made[name].move)
        need_kind(name, target, moved, type_of_shape(shape), *where)
        if shape.kind == "text" and target.kind == "text" and shape.width > target.width > 0:
            what = f"field {name!r} has {target.width} columns, what is moved there {shape.width}"
            raise OptionProblem(what, *where)

    def _can_number(self, name: str, sequence: SequenceConfig) -> None:
        shape = self._shapes[name]
        if shape.kind not in {"text", "whole", "decimal"}:
            what = f"field {name!r} of kind {shape.kind} cannot be numbered"
            raise OptionProblem(what, "fields", name)
        if len(sequence.prefix) >= shape.width or (sequence.prefix and shape.kind != "text"):
            what = (
                f"field {name!r} has no columns for a number after the prefix {sequence.prefix!r}"
            )
            raise OptionProblem(what, "fields", name)

    def _constant(self, name: str, constant: str | int | Decimal) -> Values:
        """Return a constant as the one value of a field."""
        shape = self._shapes[name]
        try:
            column = _constant_column(constant, shape)
            values, misfit = values_of(column, shape.kind, shape.scale, shape.width)
        except (ValueError, InvalidOperation, pl.exceptions.PolarsError) as error:
            what = f"constant {constant!r} does not fit field {name!r} of kind {shape.kind}"
            raise OptionProblem(what, "fields", name) from error
        if misfit.any():
            what = f"constant {constant!r} does not fit field {name!r} of {shape.width} columns"
            raise OptionProblem(what, "fields", name)
        return values

    @override
    def fold(self, tray: Tray) -> int:
        return len(tray)

    @override
    def join(self, earlier: int, later: int) -> int:
        return earlier + later

    @override
    def run(self, tray: Tray, book: Book, before: int | None, total: int | None) -> Tray:
        made = self._make(tray, book, before or 0)
        width = self.layout.width
        base = np.full((len(tray), width), _BLANK, np.uint8)
        if self.config.base == "card":
            have = min(width, tray.text.shape[1])
            base[:, :have] = tray.text[:, :have]
        old = base.copy() if self.config.base == "card" else None
        for failure in self.layout.write(made, base):
            book.fault(
                tray, failure.rows, failure.reason, field=failure.field, columns=failure.columns,
                detail=failure.detail,
            )  # fmt: skip
        kept = book.settle(tray)
        if len(kept) != len(tray):
            rows = kept_rows(tray, kept)
            base = base[rows]
            old = None if old is None else old[rows]
            made = {name: values.take(rows) for name, values in made.items()}
        fresh = kept.with_text(base, self.layout)
        self._compare(fresh, made, old, book)
        return fresh

    def _make(self, tray: Tray, book: Book, place: int) -> dict[str, Values]:
        """Return the values for every field of the new card; misfits are entered in the book."""
        used = [e.names for e in self._expressions.values()]
        names = {name for names in used for name in names}
        frame = tray.frame(sorted(names)) if names else None
        return {
            name: self._numbers(name, source.sequence, tray, place, book)
            if source.sequence is not None
            else self._values(name, source, tray, frame, book)
            for name, source in self._made.items()
        }

    def _numbers(
        self, name: str, sequence: SequenceConfig, tray: Tray, place: int, book: Book
    ) -> Values:
        values, misfit = _numbered(sequence, self._shapes[name], place, len(tray))
        self._must_fit(name, "", tray, misfit, book)
        return values

    def _values(
        self, name: str, source: SourceConfig, tray: Tray, frame: pl.DataFrame | None, book: Book
    ) -> Values:
        shape = self._shapes[name]
        if source.move is not None:
            values = tray.values(source.move)
            if values.kind == shape.kind and values.scale == shape.scale:
                return values
            column = series(values, name, tray.code.alphabet)
        elif source.constant is not None:
            return self._constant(name, source.constant).take(np.zeros(len(tray), np.intp))
        else:
            assert frame is not None  # noqa: S101 # an expression that names fields has a frame
            column = self._expressions[name].evaluate(frame)
        values, misfit = values_of(column, shape.kind, shape.scale, shape.width, tray.code.alphabet)
        self._must_fit(name, source.move or "", tray, misfit, book)
        return values

    def _must_fit(
        self, name: str, field: str, tray: Tray, misfit: NDArray[np.bool_], book: Book
    ) -> None:
        if misfit.any():
            first, last = self.layout.columns(name)[0]
            width = last - first + 1
            detail = f"the value made for {name!r} does not fit its {width} columns exactly"
            book.fault(tray, misfit, "does-not-fit", field=field, detail=detail)

    def _compare(
        self, fresh: Tray, made: dict[str, Values], before: NDArray[np.uint8] | None, book: Book
    ) -> None:
        """Read the new cards again and compare every column: fields by value, the rest as bytes.

        Raises:
            ValueError: a card does not hold what it should; names it.
        """
        read = self.layout.read(
            fresh.text, None, None, legal_patterns(fresh.code), undefined(fresh.code)
        )
        for name, values in made.items():
            wrong = differs(values, read[name])
            if wrong.any():
                card = fresh.named(int(np.flatnonzero(wrong)[0]))
                first, last = self.layout.columns(name)[0]
                msg = (
                    f"{card}: field {name!r} in columns {first}-{last} "
                    "of the new card does not read as what was to be punched"
                )
                raise ValueError(msg)
        for first, last in self._gaps():
            should = _BLANK if before is None else cut(before, first, last)
            if (cut(fresh.text, first, last) != should).any():
                msg = f"columns {first}-{last} of the new cards hold what no field put there"
                raise ValueError(msg)
        fresh.remember(read)
        book.tally("compared_cards", len(fresh))

    def _gaps(self) -> list[tuple[int, int]]:
        """Return the stretches of columns that no field fills."""
        free = np.ones(self.layout.width + 2, np.bool_)
        free[0] = free[-1] = False
        for name in self._made:
            for first, last in self.layout.columns(name):
                free[first : last + 1] = False
        edges = np.flatnonzero(np.diff(free.astype(np.int8)))
        return [(int(a) + 1, int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _constant_column(constant: str | int | Decimal, shape: FieldShape) -> pl.Series:
    if shape.kind == "date":
        return pl.Series([str(constant)]).str.to_date("%Y-%m-%d")
    if shape.kind in {"whole", "decimal"}:
        return pl.Series([Decimal(str(constant))], dtype=pl.Decimal(38, max(shape.scale, 0)))
    return pl.Series([str(constant)], dtype=pl.String)


def _numbered(
    sequence: SequenceConfig, shape: FieldShape, place: int, count: int
) -> tuple[Values, NDArray[np.bool_]]:
    """Return running numbers (n) for a field, and where one is too long for it."""
    numbers = sequence.start + sequence.step * (place + np.arange(count, dtype=np.int64))
    if shape.kind == "text":
        prefix = np.frombuffer(sequence.prefix.encode("ascii"), np.uint8)
        digits, misfit = plain_digits(numbers.astype(np.uint64), shape.width - len(prefix))
        return Values("text", np.hstack([np.tile(prefix, (count, 1)), digits])), misfit
    scaled = numbers * 10**shape.scale
    return Values(shape.kind, scaled, scale=shape.scale), np.zeros(count, np.bool_)


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [ReproduceStage]

"""One walk over the fields of a tray, card type by card type."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.matrix import rows_of
from deckwright.cards.values import ValueKind, Values
from deckwright.jobs.fieldproblems import MAX_DIGITS
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.failures import Failure, Reason, detail_of
from deckwright.layout.fields import FieldKernel, FieldReading
from deckwright.layout.fieldtests import FieldTests
from deckwright.layout.kernels import compile_field
from deckwright.layout.marks import Marks
from deckwright.layout.overpunch import is_zoned_zero
from deckwright.layout.words import BLANK, Bytes, Places, put_cells

Holes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class CompiledField:
    """A field of one card type, ready to read and to test."""

    spec: FieldSpec
    kernel: FieldKernel
    tests: FieldTests


CompiledCard = Mapping[str, CompiledField]


@dataclass(frozen=True, slots=True)
class ValueShape:
    """How the values of a field are held: kind, digits after the point, width in columns."""

    kind: ValueKind
    scale: int
    width: int

    def fits(self, values: Values) -> bool:
        """Return whether values have this width, which another card type may have set."""
        return values.data.ndim == 1 or values.data.shape[1] == self.width

    def empty(self, count: int) -> NDArray[Any]:
        """Return data for so many cards without a value."""
        if self.kind == "text":
            return np.full((count, self.width), BLANK, np.uint8)
        if self.kind == "holes":
            return np.zeros((count, self.width), np.uint16)
        return np.zeros(count, np.int32 if self.kind == "date" else np.int64)


def compiled(spec: FieldSpec) -> CompiledField:
    """Compile one field."""
    return CompiledField(spec, compile_field(spec), FieldTests(spec))


def value_shapes(cards: list[CompiledCard]) -> dict[str, ValueShape]:
    """Return the shape of every field and flag; the widest where card types differ."""
    shapes: dict[str, ValueShape] = {}

    def enter(name: str, kind: ValueKind, scale: int, width: int) -> None:
        known = shapes.get(name)
        shapes[name] = ValueShape(kind, scale, max(width, known.width if known else 0))

    for card in cards:
        for name, field in card.items():
            # the columns of a number with an exponent say nothing of how many digits it has
            width = MAX_DIGITS if field.spec.kind == "exponent" else field.spec.width
            enter(name, field.kernel.value_kind, field.spec.scale, width)
            if field.spec.flag_name:
                longest = max(map(len, field.spec.overpunch.values()))
                enter(field.spec.flag_name, "text", 0, longest)
    return shapes


class Walk:
    """Reads fields of steady text (n, L). types: int16 (n), None when all cards are of one type.

    failures: what failed, when the walk checks. unread: by field, cards where it is unreadable.
    """

    def __init__(
        self,
        cards: list[CompiledCard],
        shapes: Mapping[str, ValueShape],
        text: Bytes,
        types: NDArray[np.int16] | None,
        holes: Holes | None,
        marks: list[Marks],
    ) -> None:
        self.cards, self.shapes, self.text, self.types = cards, shapes, text, types
        self.holes, self.marks = holes, marks
        self.failures: list[Failure] = []
        self.unread: dict[str, Places] = {}
        self._parts: dict[str, list[tuple[Places | None, Values]]] = {}

    def read(self, names: Collection[str], *, checking: bool) -> dict[str, Values]:
        """Return the fields, each with its flag if it has one; check them if asked."""
        for place, rows in self._by_type():
            text = self.text if rows is None else rows_of(self.text, rows)
            holes = self.holes if self.holes is None or rows is None else self.holes[rows]
            marks = self.marks if rows is None else [_within(mark, rows) for mark in self.marks]
            for name, field in self.cards[place].items():
                if name in names:
                    reading = field.kernel.read(text, holes)
                    if field.spec.kind != "holes":
                        for mark in reversed(marks):  # the first mark has the last word
                            reading = _marked(reading, mark, field, holes)
                    self._keep(field.spec, rows, reading)
                    if checking:
                        self._fail(field, rows, reading, text)
        return {name: self._whole(name) for name in self._all_names(names)}

    def _by_type(self) -> Iterator[tuple[int, Places | None]]:
        if self.types is None:
            yield 0, None
            return
        for place in range(len(self.cards)):
            rows = np.flatnonzero(self.types == place)
            if rows.size:
                yield place, None if len(rows) == len(self.types) else rows

    def _keep(self, spec: FieldSpec, rows: Places | None, reading: FieldReading) -> None:
        self._parts.setdefault(spec.name, []).append((rows, reading.values))
        if reading.flag is not None:
            self._parts.setdefault(spec.flag_name, []).append((rows, reading.flag))
        if reading.rows.size:
            bad = reading.rows if rows is None else rows[reading.rows]
            known = self.unread.get(spec.name)
            both = bad if known is None else np.concatenate([known, bad])
            self.unread[spec.name] = both
            if spec.flag_name:
                self.unread[spec.flag_name] = both

    def _fail(
        self, field: CompiledField, rows: Places | None, reading: FieldReading, text: Bytes
    ) -> None:
        spec = field.spec
        for reason, column, places in _grouped(reading):
            here = places if rows is None else rows[places]
            exact = None if column is None else column.astype(np.int64) + spec.span[0]
            detail = detail_of(reason, spec)
            self.failures.append(
                Failure(here, reason.code, spec.name, spec.span, exact, detail, spec.severity)
            )
        for failed in field.tests.run(text, reading.values):
            here = failed.rows if rows is None else rows[failed.rows]
            exact = None if failed.column is None else np.full(len(here), failed.column)
            self.failures.append(
                Failure(
                    here, failed.reason, spec.name, spec.span, exact, failed.detail, spec.severity
                )
            )

    def _all_names(self, names: Collection[str]) -> list[str]:
        every: dict[str, None] = {}
        for card in self.cards:
            for name, field in card.items():
                if name in names:
                    every[name] = None
                    if field.spec.flag_name:
                        every[field.spec.flag_name] = None
        return list(every)

    def _whole(self, name: str) -> Values:
        parts = self._parts.get(name, [])
        shape = self.shapes[name]
        if len(parts) == 1 and parts[0][0] is None and shape.fits(parts[0][1]):
            return parts[0][1]
        data = shape.empty(len(self.text))
        missing = np.ones(len(self.text), np.bool_)
        for rows, values in parts:
            here = slice(None) if rows is None else rows
            if shape.kind == "text":
                put_cells(data, rows, 1, values.data.astype(np.uint8, copy=False))
            else:
                data[here] = values.data
            missing[here] = False if values.missing is None else values.missing
        return Values(shape.kind, data, missing if missing.any() else None, shape.scale)


def _within(mark: Marks, rows: Places) -> Marks:
    """Return a mark for some rows (ascending) only, as places among them."""
    if not mark.rows.size:
        return mark
    places = np.searchsorted(rows, mark.rows)
    places = np.minimum(places, len(rows) - 1)
    inside = rows[places] == mark.rows
    return Marks(mark.reason, places[inside], mark.hits[inside])


def _marked(
    reading: FieldReading, mark: Marks, field: CompiledField, holes: Holes | None
) -> FieldReading:
    """Return a reading in which the cards under a mark are unreadable for that reason."""
    first, last = field.spec.span
    hits = mark.hits[:, first - 1 : last]
    if field.kernel.zoned and holes is not None and hits.any():
        # a zone over a zero is a digit here, though some codes have no character for it
        hits = hits & ~is_zoned_zero(holes[mark.rows, first - 1 : last])
    hit = np.flatnonzero(hits.any(axis=1))
    if not hit.size:
        return reading
    rows = mark.rows[hit]
    values = _without(reading.values, rows)
    flag = None if reading.flag is None else _without(reading.flag, rows)
    others = np.flatnonzero(~np.isin(reading.rows, rows))
    every = np.concatenate([reading.rows[others], rows])
    order = np.argsort(every, kind="stable")
    reason = np.concatenate([reading.reason[others], np.full(len(rows), mark.reason, np.uint8)])
    column = np.concatenate([reading.column[others], hits[hit].argmax(axis=1).astype(np.int16)])
    return FieldReading(values, flag, every[order], reason[order], column[order])


def _without(values: Values, rows: Places) -> Values:
    missing = ~values.present()
    missing[rows] = True
    values.data[rows] = BLANK if values.kind == "text" else 0
    return Values(values.kind, values.data, missing, values.scale)


def _grouped(
    reading: FieldReading,
) -> Iterator[tuple[Reason, NDArray[np.int16] | None, Places]]:
    """Return (reason, columns or None, rows) of unreadable cards."""
    for code in np.unique(reading.reason):
        same = reading.reason == code
        for known in (True, False):
            chosen = np.flatnonzero(same & ((reading.column >= 0) == known))
            if chosen.size:
                column = reading.column[chosen] if known else None
                yield Reason(code), column, reading.rows[chosen]

"""The kinds of field: how the columns of each become values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.values import ValueKind, Values
from deckwright.jobs.dateforms import parse_date_form
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.dates import DateReader
from deckwright.layout.digits import joined, nibbles, not_digits, number_of
from deckwright.layout.exponents import ExponentKernel
from deckwright.layout.failures import Reason
from deckwright.layout.fields import (
    NO_ROWS,
    Data,
    FieldKernel,
    FieldReading,
    Mask,
    TwoWayKernel,
    placements,
)
from deckwright.layout.numbers import CloseReading, NumberShape, read_numbers
from deckwright.layout.overpunch import DIGIT, LEADING, MINUS, NO_DIGIT, OVER, PLUS, ZONES
from deckwright.layout.words import (
    BLANK,
    Bytes,
    Words,
    blank_fields,
    cells_of,
    chunks,
    holds_text,
    word_type,
)


def compile_field(spec: FieldSpec) -> FieldKernel:
    """Return the kernel that reads a field."""
    match spec.kind:
        case "text" | "choice":
            return TextKernel(spec)
        case "digits":
            return DigitsKernel(spec)
        case "whole" | "decimal":
            return NumberKernel(spec)
        case "exponent":
            return ExponentKernel(spec)
        case "date":
            return DateKernel(spec)
        case "holes":
            return HolesKernel(spec)


class TextKernel(FieldKernel):
    """A field of any characters, or of listed ones: never unreadable unless blank."""

    def __init__(self, spec: FieldSpec) -> None:
        super().__init__(spec)
        blank_choice = any(not choice.strip() for choice in spec.choices)
        self.blank_is_value = blank_choice or spec.blank == "text"
        self.missing_texts = placements(spec.missing_values, spec.width)

    @override
    def empty(self, count: int) -> Data:
        return np.full((count, self.width), BLANK, np.uint8)

    @override
    def read(self, text: Bytes, holes: NDArray[np.uint16] | None = None) -> FieldReading:
        data, missing = cells_of(text, self.first, self.width), np.zeros(len(text), np.bool_)
        for absent in self.missing_texts:
            missing |= holds_text(text, self.first, absent)
        if self.missing_texts:
            data[missing] = BLANK
        rows = NO_ROWS
        if not self.blank_is_value:
            blank = blank_fields(text, self.first, self.width)
            missing |= blank
            if self.spec.blank == "error":
                rows = np.flatnonzero(blank)
        return FieldReading(
            Values("text", data, missing if missing.any() else None),
            None,
            rows,
            np.full(len(rows), Reason.BLANK, np.uint8),
            np.full(len(rows), -1, np.int16),
        )


def _or_none(mask: Mask | None, count: int) -> Mask:
    return np.zeros(count, np.bool_) if mask is None else mask


def _shape(spec: FieldSpec) -> NumberShape:
    flags = {"12": PLUS, "11": MINUS}
    blanks = spec.filled == " "
    return NumberShape(
        sign=spec.sign,
        pad_left=blanks and spec.justified == "right",
        pad_right=blanks and spec.justified == "left",
        scale=spec.scale,
        punched=spec.point == "punched",
        flags=sum(flags[zone] for zone in spec.overpunch),
        lone_flag=spec.zone_alone == "flag",
    )


class DigitsKernel(TwoWayKernel):
    """A field of digits that is kept as text, leading zeros and all."""

    def __init__(self, spec: FieldSpec) -> None:
        super().__init__(spec)
        self.shape = _shape(spec)

    @override
    def empty(self, count: int) -> Data:
        return np.full((count, self.width), BLANK, np.uint8)

    @override
    def quick(self, text: Bytes) -> tuple[Data, Mask]:
        doubt: Mask | None = None
        for first, width in chunks(self.first, self.width):
            bad = not_digits(nibbles(text, first, width)) != 0
            doubt = bad if doubt is None else doubt | bad
        return cells_of(text, self.first, self.width), _or_none(doubt, len(text))

    @override
    def closely(self, columns: Bytes) -> CloseReading:
        reading = read_numbers(columns, self.shape)
        cells = columns.T.copy()
        if reading.zone is not None:
            zoned = np.flatnonzero(reading.zone)
            cells[zoned, -1] = OVER[0][ZONES[cells[zoned, -1]] & DIGIT]
        cells[reading.missing] = BLANK
        reading.data = cells
        return reading


class NumberKernel(TwoWayKernel):
    """A whole or decimal number."""

    def __init__(self, spec: FieldSpec) -> None:
        super().__init__(spec)
        self.value_kind = "decimal" if spec.kind == "decimal" else "whole"
        self.shape = _shape(spec)

    @override
    def quick(self, text: Bytes) -> tuple[Data, Mask]:
        if self.shape.punched:
            return self.empty(len(text)), np.ones(len(text), np.bool_)
        numbers: list[Words] = []
        doubt: Mask | None = None
        negative: Mask | None = None
        parts = chunks(self.first, self.width)
        signed_chunk = {"overpunch-right": len(parts) - 1, "overpunch-left": 0, "leading": 0}
        for index, (first, width) in enumerate(parts):
            values = nibbles(text, first, width)
            if signed_chunk.get(self.spec.sign) == index:
                values, negative = self._take_sign(values, width)
            bad = not_digits(values) != 0
            doubt = bad if doubt is None else doubt | bad
            numbers.append(number_of(values))
        data = joined(numbers).view(np.int64)
        if negative is not None:
            np.negative(data, out=data, where=negative)
        return data, _or_none(doubt, len(text))

    def _take_sign(self, values: Words, width: int) -> tuple[Words, Mask]:
        """Return digit values with the sign taken off, and where it is minus.

        A column that bears no sign and no digit keeps a value that is no digit.
        """
        kind = word_type(width)
        top = 8 * (kind.itemsize - 1)
        shift = top if self.spec.sign == "overpunch-right" else 8 * (kind.itemsize - width)
        table = LEADING if self.spec.sign == "leading" else ZONES
        byte = (values >> kind.type(shift)).astype(np.uint8)
        codes = table.take(byte ^ np.uint8(48))
        negative = (codes & MINUS) != 0
        digits = (codes & np.uint8(DIGIT | NO_DIGIT)).astype(kind)
        digits <<= kind.type(shift)
        values &= kind.type(~(0xFF << shift) & ((1 << 8 * kind.itemsize) - 1))
        values |= digits
        return values, negative

    @override
    def closely(self, columns: Bytes) -> CloseReading:
        return read_numbers(columns, self.shape)


class DateKernel(TwoWayKernel):
    """A date."""

    value_kind: ValueKind = "date"

    def __init__(self, spec: FieldSpec) -> None:
        super().__init__(spec)
        form = parse_date_form(spec.form)
        self.reader = DateReader(form, spec.century, self.first, pad=spec.fill == " ")

    @override
    def empty(self, count: int) -> Data:
        return np.zeros(count, np.int32)

    @override
    def quick(self, text: Bytes) -> tuple[Data, Mask]:
        if not self.reader.quickly:
            return self.empty(len(text)), np.ones(len(text), np.bool_)
        return self.reader.quick(text)

    @override
    def closely(self, columns: Bytes) -> CloseReading:
        return self.reader.closely(columns)


class HolesKernel(FieldKernel):
    """The patterns of some columns, as punched."""

    value_kind: ValueKind = "holes"

    @override
    def empty(self, count: int) -> Data:
        return np.zeros((count, self.width), np.uint16)

    @override
    def read(self, text: Bytes, holes: NDArray[np.uint16] | None = None) -> FieldReading:
        count = len(text)
        if holes is None:
            rows, reason = np.arange(count), Reason.NO_HOLES
            data, missing = self.empty(count), np.ones(count, np.bool_)
        else:
            data = np.ascontiguousarray(holes[:, self.first - 1 : self.last])
            missing = (data == 0).all(axis=1)
            rows = np.flatnonzero(missing) if self.spec.blank == "error" else NO_ROWS
            reason = Reason.BLANK
        return FieldReading(
            Values("holes", data, missing if missing.any() else None),
            None,
            rows,
            np.full(len(rows), reason, np.uint8),
            np.full(len(rows), -1, np.int16),
        )

"""Tests of values that can be read: ranges, lists of choices, check digits."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.values import Values
from deckwright.jobs.fieldproblems import date_bound
from deckwright.jobs.fieldspecs import Bound, CheckSpec, FieldSpec, parse_columns, plain_bound
from deckwright.layout.checkdigits import check_columns
from deckwright.layout.failures import (
    CHECK_DIGIT,
    NOT_IN_LIST,
    OUT_OF_RANGE,
    list_detail,
    range_detail,
)
from deckwright.layout.words import Bytes, Places, cells_of, chunks, packed, words

Mask = NDArray[np.bool_]

_UNIX_EPOCH = 719_163  # ordinal of 1970-01-01


@dataclass(frozen=True, slots=True)
class Failed:
    """Cards that failed a test: reason, places (k), exact column or None, sentence."""

    reason: str
    rows: Places
    column: int | None
    detail: str


class FieldTests:
    """The tests of one field."""

    def __init__(self, spec: FieldSpec) -> None:
        self.spec = spec
        self.low, self.high = _limits(spec)
        self.range_detail = range_detail(spec.low, spec.high)
        self.choices = [_placed(choice, spec) for choice in spec.choices]
        self.check = spec.check

    def run(self, text: Bytes, values: Values) -> Iterator[Failed]:
        """Test the values that were read from steady text (n, L)."""
        if len(text) == 0:
            return
        if self.low is not None or self.high is not None:
            rows = self._out_of_range(values)
            if rows.size:
                yield Failed(OUT_OF_RANGE, rows, None, self.range_detail)
        if self.choices:
            rows = _places(~self._listed(text), values.missing)
            if rows.size:
                detail = list_detail(list(self.spec.choices))
                yield Failed(NOT_IN_LIST, rows, None, detail)
        if self.check:
            rows = _places(~check_mask(text, self.spec, self.check), values.missing)
            if rows.size:
                column = check_span(self.spec, self.check)[0]
                yield Failed(CHECK_DIGIT, rows, column, _check_detail(self.check))

    def _out_of_range(self, values: Values) -> Places:
        data: NDArray[np.int64] = values.data.astype(np.int64, copy=False)
        low = self.low is not None and int(data.min()) < self.low
        high = self.high is not None and int(data.max()) > self.high
        if not (low or high):
            return np.zeros(0, np.intp)
        outside = np.zeros(len(data), np.bool_)
        if self.low is not None:
            outside |= data < self.low
        if self.high is not None:
            outside |= data > self.high
        return _places(outside, values.missing)

    def _listed(self, text: Bytes) -> Mask:
        first, width = self.spec.span[0], self.spec.width
        parts = [(start, wide, words(text, start, wide)) for start, wide in chunks(first, width)]
        listed = np.zeros(len(text), np.bool_)
        for choice in self.choices:
            same: Mask | None = None
            for start, wide, found in parts:
                equal = found == packed(choice[start - first : start - first + wide])
                same = equal if same is None else same & equal
            if same is not None:
                listed |= same
        return listed


def _places(failed: Mask, missing: Mask | None) -> Places:
    if missing is not None:
        failed &= ~missing
    return np.flatnonzero(failed)


def _limits(spec: FieldSpec) -> tuple[int | None, int | None]:
    """Return the ends of the range as the values are held."""
    if spec.kind == "date":
        return _day(spec, spec.low), _day(spec, spec.high)
    low = None if spec.low is None else plain_bound(spec.low)
    high = None if spec.high is None else plain_bound(spec.high)
    return (
        None if low is None else math.ceil(low.scaleb(spec.scale)),
        None if high is None else math.floor(high.scaleb(spec.scale)),
    )


def _day(spec: FieldSpec, bound: Bound | None) -> int | None:
    date = None if bound is None else date_bound(spec, bound)
    return None if date is None else date.toordinal() - _UNIX_EPOCH


def _placed(choice: str, spec: FieldSpec) -> bytes:
    raw = choice.encode("latin-1")
    fill = spec.filled.encode()
    left = spec.justified == "left"
    return raw.ljust(spec.width, fill) if left else raw.rjust(spec.width, fill)


def check_span(spec: FieldSpec, check: CheckSpec) -> tuple[int, int]:
    """Return the columns (from 1) of the check characters."""
    if check.digit_columns:
        return parse_columns(check.digit_columns)
    last = spec.span[1]
    return last - check.size + 1, last


def payload_columns(spec: FieldSpec, check: CheckSpec) -> list[int]:
    """Return the columns (from 1) that the check characters speak of."""
    first, last = parse_columns(check.over) if check.over else spec.span
    start, end = check_span(spec, check)
    return [column for column in range(first, last + 1) if not start <= column <= end]


def check_mask(text: Bytes, spec: FieldSpec, check: CheckSpec) -> Mask:
    """Return bool (n): true where the check characters are right."""
    payload = payload_columns(spec, check)
    start, end = check_span(spec, check)
    low, high = min(*payload, start), max(*payload, end)
    cells = np.ascontiguousarray(cells_of(text, low, high - low + 1).T)
    given = cells[start - low : end - low + 1]
    if check.over or check.digit_columns:
        cells = cells[[column - low for column in payload]]
    else:
        cells = cells[: len(payload)]
    wanted, valid = check_columns(check.scheme, cells, check.weights, x=check.x)
    for place, column in enumerate(given):
        valid &= wanted[:, place] == column
    return valid


def _check_detail(check: CheckSpec) -> str:
    if check.scheme == "sum10":
        return f"should be the sum of the digits in columns {check.over}, modulo 10"
    return f"wrong check digit ({check.scheme})"

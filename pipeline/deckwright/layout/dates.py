"""Dates in any form of YYYY, YY, MM, DD, DDD: read and written for many cards at a time."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from deckwright.jobs.dateforms import DateForm, DatePart
from deckwright.layout.digits import ZERO
from deckwright.layout.failures import Reason
from deckwright.layout.numbers import CloseReading, Faults
from deckwright.layout.words import BLANK, WORD, Bytes, Words, words

Days = NDArray[np.int32]
Mask = NDArray[np.bool_]

_YEARS = 10_000
_CENTURY = 100
_MONTH_BITS = 5
_YEAR_BITS = 9
_MONTHS = 16  # places a year takes in the table of months, so that a shift finds it
_EPOCH = 719_162  # days from 0001-01-01 to 1970-01-01, proleptic Gregorian calendar


@lru_cache(maxsize=1)
def month_table() -> NDArray[np.int32]:
    """Return int32 (10000 * 16): by year * 16 + month, days before it since 0001 << 5 | its days.

    Months that do not exist, and the year 0, hold 0.
    """
    starts = np.arange("0001-01", "10000-02", dtype="M8[M]").astype("M8[D]").astype(np.int64)
    codes = (starts[:-1] + _EPOCH) << _MONTH_BITS | np.diff(starts)
    table = np.zeros((_YEARS, _MONTHS), np.int32)
    table[1:, 1:13] = codes.reshape(-1, 12)
    return table.reshape(-1)


@lru_cache(maxsize=1)
def year_table() -> NDArray[np.int32]:
    """Return int32 (10000): by year, days before it since 0001 << 9 | its days; year 0 holds 0."""
    starts = np.arange("0001", "10001", dtype="M8[Y]").astype("M8[D]").astype(np.int64)
    table = np.zeros(_YEARS, np.int64)
    table[1:] = (starts[:-1] + _EPOCH) << _YEAR_BITS | np.diff(starts)
    # 3,652,058 days << 9 is just below 2**31
    return table.astype(np.int32)


class DateReader:
    """Reads dates of one form. first: the field's first column, from 1."""

    def __init__(self, form: DateForm, century: int, first: int, *, pad: bool) -> None:
        self.form, self.century, self.first, self.pad = form, century, first, pad
        self.last = first + form.width - 1
        self.quickly = form.width <= 2 * WORD
        # one window for a short form, two that overlap for a longer one
        wide = min(form.width, WORD)
        starts = [0] if form.width <= WORD else [0, form.width - WORD]
        self.windows = [_Window(form, start, wide) for start in starts]
        month_table()
        year_table()

    def quick(self, text: Bytes) -> tuple[Days, Mask]:
        """Return days since 1970-01-01 (n) and bool (n): true where in doubt."""
        pairs = []
        doubt: Mask | None = None
        for window in self.windows:
            pair, bad = window.load(text, self.first)
            pairs.append(pair)
            doubt = bad if doubt is None else doubt | bad
        numbers = {part.name: self._number(pairs, part) for part in self.form.parts}
        days, exists = self._days(numbers)
        bad = ~exists
        return days, bad if doubt is None else doubt | bad

    def _number(self, pairs: list[Words], part: DatePart) -> NDArray[np.int64]:
        for window, pair in zip(self.windows, pairs, strict=True):
            if (
                window.start <= part.start
                and part.start + part.width <= window.start + window.width
            ):
                return window.number(pair, part)
        raise AssertionError(part)  # a part is at most four columns, so a window holds it

    def _days(self, numbers: dict[str, NDArray[np.int64]]) -> tuple[Days, Mask]:
        if "year" in numbers:
            year = numbers["year"]
        else:
            short = numbers["short year"]
            year = short + (self.century - self.century % _CENTURY)
            year += (short < self.century % _CENTURY) * np.int64(_CENTURY)
        if "day of year" in numbers:
            return _in_period(
                year_table().take(year, mode="clip"), numbers["day of year"], _YEAR_BITS
            )
        if "month" not in numbers:
            return _in_period(
                month_table().take(year * _MONTHS + 1, mode="clip"), None, _MONTH_BITS
            )
        month = numbers["month"]
        far = month >= _MONTHS
        year <<= np.int64(4)
        year += month
        if far.any():
            year[far] = 0
        return _in_period(month_table().take(year, mode="clip"), numbers.get("day"), _MONTH_BITS)

    def closely(self, columns: Bytes) -> CloseReading:
        """Read dates from columns (w, k), none of which is wholly blank."""
        count = columns.shape[1]
        faults = Faults.none(count)
        values = np.zeros((self.form.width, count), np.int64)
        marks = dict(self.form.literals)
        starts = {part.start: part for part in self.form.parts}
        open_part = np.zeros(count, np.bool_)
        for place, column in enumerate(columns):
            if place in marks:
                faults.mark(column != ord(marks[place]), Reason.NO_SUCH_DATE, place)
                continue
            digit = column - np.uint8(ZERO)
            if place in starts:
                open_part[:] = self.pad
            blank = open_part & (column == BLANK)
            open_part &= blank
            if any(part.end - 1 == place for part in self.form.parts):
                blank[:] = False  # the units are always punched
            faults.mark((digit > 9) & ~blank, Reason.NOT_A_DIGIT, place)  # noqa: PLR2004
            values[place] = np.where(blank, 0, np.minimum(digit, 9))
        numbers = {part.name: _joined(values, part) for part in self.form.parts}
        days, exists = self._days(numbers)
        faults.mark(~exists, Reason.NO_SUCH_DATE)
        missing = faults.reason != 0
        days[missing] = 0
        return CloseReading(days, missing, faults.reason, faults.column)


class _Window:
    """Up to eight neighbouring columns of a date form, start from 0."""

    def __init__(self, form: DateForm, start: int, width: int) -> None:
        self.start, self.width = start, width
        self.blanks = 8 - width
        pattern = bytearray(b"0" * width)
        strict = bytearray(width)
        for place, mark in form.literals:
            if start <= place < start + width:
                pattern[place - start] = ord(mark)
                strict[place - start] = 0xFF
        self.pattern = np.uint64(int.from_bytes(pattern, "little") << 8 * self.blanks)
        self.strict = np.uint64(int.from_bytes(strict, "little") << 8 * self.blanks)

    def load(self, text: Bytes, first: int) -> tuple[Words, Mask]:
        """Return words of digit pairs, and bool (n): true where a column is not as it should be."""
        values = words(text, first + self.start, self.width).astype(np.uint64, copy=False)
        if self.width <= WORD // 2:
            values <<= np.uint64(32)
        values ^= self.pattern
        bad = values + np.uint64(0x0606060606060606)
        bad |= values
        bad &= np.uint64(0xF0F0F0F0F0F0F0F0)
        if self.strict:
            bad |= values & self.strict
        # byte k holds digit k times ten plus digit k + 1: any two-digit part is one byte
        pairs: Words = values * np.uint64(10)
        pairs += values >> np.uint64(8)
        return pairs, bad != 0

    def number(self, pairs: Words, part: DatePart) -> NDArray[np.int64]:
        """Return the number (n) that a part says."""
        shift = 8 * (part.start - self.start + self.blanks)
        tens = self._pair(pairs, shift)
        if part.width == 2:  # noqa: PLR2004
            return tens
        if part.width == 4:  # noqa: PLR2004
            tens *= _CENTURY
            tens += self._pair(pairs, shift + 16)
            return tens
        # three digits: two pairs that share the middle digit
        low = self._pair(pairs, shift + 8)
        return (tens // 10) * _CENTURY + low

    def _pair(self, pairs: Words, shift: int) -> NDArray[np.int64]:
        out = pairs >> np.uint64(shift)
        out &= np.uint64(0xFF)
        return out.view(np.int64)


def _joined(values: NDArray[np.int64], part: DatePart) -> NDArray[np.int64]:
    total = np.zeros(values.shape[1], np.int64)
    for place in range(part.start, part.end):
        total = total * 10 + values[place]
    return total


def _in_period(
    codes: NDArray[np.int32], day: NDArray[np.int64] | None, bits: int
) -> tuple[Days, Mask]:
    """Return days since 1970 and whether the day exists, from codes of months or years."""
    days = (codes >> np.int32(bits)) - np.int32(_EPOCH)
    if day is None:
        return days, codes != 0
    before = day.astype(np.int32)
    before -= np.int32(1)
    length = codes & np.int32((1 << bits) - 1)
    days += before
    # day 0 becomes the greatest unsigned number, so one comparison tests both ends
    return days, before.view(np.uint32) < length.view(np.uint32)


def civil(days: Days) -> tuple[Days, Days, Days]:
    """Return year, month and day (n) of days since 1970-01-01.

    The usual reckoning in years that begin in March and eras of 400 years (Richards, Mapping time,
    1998, in the form of proleptic Gregorian integer arithmetic).
    """
    shifted = days.astype(np.int64) + (_EPOCH + 306)
    era = shifted // 146_097
    day_of_era = shifted - era * 146_097
    year_of_era = (
        day_of_era - day_of_era // 1460 + day_of_era // 36_524 - day_of_era // 146_096
    ) // 365
    day_of_year = day_of_era - (365 * year_of_era + year_of_era // 4 - year_of_era // 100)
    slot = (5 * day_of_year + 2) // 153
    day = day_of_year - (153 * slot + 2) // 5 + 1
    month = slot + np.where(slot < 10, 3, -9)  # noqa: PLR2004
    year = year_of_era + era * 400 + (month <= 2)  # noqa: PLR2004
    return year.astype(np.int32), month.astype(np.int32), day.astype(np.int32)


def write_dates(days: Days, form: DateForm, century: int) -> tuple[Bytes, Mask]:
    """Return dates as cells (n, w), and bool (n): true where the form cannot say the date."""
    year, month, day = civil(days)
    first_of_year, _ = _in_period(year_table().take(year, mode="clip"), None, _YEAR_BITS)
    misfit = (year < 1) | (year >= _YEARS)
    numbers = {"year": year, "month": month, "day": day, "day of year": days - first_of_year + 1}
    numbers["short year"] = year % _CENTURY
    names = {part.name for part in form.parts}
    if "short year" in names:
        misfit |= (year < century) | (year >= century + _CENTURY)
    if not names & {"day", "day of year"}:
        misfit |= day != 1
    if not names & {"month", "day of year"}:
        misfit |= month != 1
    cells = np.empty((len(days), form.width), np.uint8)
    for place, mark in form.literals:
        cells[:, place] = ord(mark)
    for part in form.parts:
        rest = numbers[part.name]
        for place in reversed(range(part.start, part.end)):
            tens = rest // 10
            cells[:, place] = rest - tens * 10 + ZERO
            rest = tens
    return cells, misfit

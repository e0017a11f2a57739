"""Numbers read column by column: signs, zones, blanks and points wherever they stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.failures import Reason
from deckwright.layout.overpunch import (
    DIGIT,
    ELEVEN_ALONE,
    MINUS,
    NO_DIGIT,
    PLUS,
    TWELVE_ALONE,
    ZONES,
)
from deckwright.layout.words import BLANK, Bytes, Places

Mask = NDArray[np.bool_]

_POINT = ord(".")
_MINUS_SIGN = ord("-")
_LIMIT = 10**18


@dataclass(frozen=True, slots=True)
class NumberShape:
    """How a number stands in its columns.

    flags: the bits of `overpunch.PLUS` and `overpunch.MINUS` for zones over the last digit that
    are flags. lone_flag: such a zone over a blank field is a flag too.
    """

    sign: str = "none"
    pad_left: bool = False
    pad_right: bool = False
    scale: int = 0
    punched: bool = False
    flags: int = 0
    lone_flag: bool = False


@dataclass(slots=True)
class CloseReading:
    """What close reading made of k cards.

    data: values. missing: no value. reason: uint8 (k), see `Reason`. column: int16 (k), place of
    the fault in the field from 0, -1 unknown. zone: uint8 (k), flag bits found.
    """

    data: NDArray[Any]
    missing: Mask
    reason: Bytes
    column: NDArray[np.int16]
    zone: Bytes | None = None

    def enter(self, rows: Places, part: CloseReading) -> None:
        """Put in what was made of some of the cards."""
        self.data[rows] = part.data
        self.missing[rows] = part.missing
        self.reason[rows] = part.reason
        self.column[rows] = part.column
        if self.zone is not None and part.zone is not None:
            self.zone[rows] = part.zone


@dataclass(slots=True)
class Faults:
    """The first fault of each of k cards."""

    reason: Bytes
    column: NDArray[np.int16]

    @classmethod
    def none(cls, count: int) -> Faults:
        """Return the faults of so many cards, none so far."""
        return cls(np.zeros(count, np.uint8), np.full(count, -1, np.int16))

    def mark(self, where: Mask, reason: Reason, column: int = -1) -> None:
        """Enter a fault for cards (k) that have none yet."""
        if where.any():
            new = where & (self.reason == 0)
            self.reason[new] = reason
            self.column[new] = column


class _Reader:
    """The state of k numbers while their columns go by."""

    def __init__(self, columns: Bytes, shape: NumberShape) -> None:
        count = columns.shape[1]
        self.columns, self.shape = columns, shape
        self.faults = Faults.none(count)
        self.value = np.zeros(count, np.int64)
        self.decimals = np.zeros(count, np.int64)
        self.zone = np.zeros(count, np.uint8)
        self.begun, self.digits, self.point, self.ended, self.signed, self.negative = np.zeros(
            (6, count), np.bool_
        )

    def run(self) -> None:
        for place, column in enumerate(self.columns):
            digit = column - np.uint8(48)
            is_digit = digit < 10  # noqa: PLR2004
            if self._zone_may_stand(place):
                digit, is_digit = self._zoned(place, column, digit, is_digit)
            is_blank = column == BLANK
            other = ~(is_digit | is_blank)
            if is_blank.any():
                self._blank(place, is_blank)
            if self.shape.pad_right:
                self.faults.mark(self.ended & ~is_blank, Reason.NOT_A_DIGIT, place)
            if other.any():
                self._other(place, column, other)
            self._digit(digit, is_digit)

    def _zone_may_stand(self, place: int) -> bool:
        last = place == len(self.columns) - 1
        if self.shape.flags:
            return last
        if self.shape.sign == "overpunch-right":
            return last or self.shape.pad_right
        return self.shape.sign == "overpunch-left" and (place == 0 or self.shape.pad_left)

    def _zoned(self, place: int, column: Bytes, digit: Bytes, is_digit: Mask) -> tuple[Bytes, Mask]:
        zones = ZONES[column]
        allowed = self.shape.flags or (PLUS | MINUS)
        here = ((zones & NO_DIGIT) == 0) & ((zones & np.uint8(allowed)) != 0)
        if self.shape.sign == "overpunch-left":
            here &= ~self.begun
        elif place < len(self.columns) - 1:
            here &= self.columns[place + 1] == BLANK
        digit = np.where(here, zones & DIGIT, digit)
        if self.shape.flags:
            self.zone[here] = zones[here] & np.uint8(allowed)
        else:
            self.negative |= here & ((zones & MINUS) != 0)
        return digit, is_digit | here

    def _blank(self, place: int, is_blank: Mask) -> None:
        if not self.shape.pad_left:
            self.faults.mark(is_blank & ~self.begun, Reason.LEADING_BLANK, place)
        inside = is_blank & self.begun
        if self.shape.pad_right:
            self.ended |= inside
        else:
            self.faults.mark(inside, Reason.NOT_A_DIGIT, place)

    def _other(self, place: int, column: Bytes, other: Mask) -> None:
        if self.shape.sign == "leading":
            sign = other & ((column == _MINUS_SIGN) | (column == TWELVE_ALONE[1]))
            self.faults.mark(sign & self.begun, Reason.BAD_SIGN, place)
            self.signed |= sign
            self.negative |= sign & (column == _MINUS_SIGN)
            self.begun |= sign
            other &= ~sign
        if self.shape.punched:
            point = other & (column == _POINT)
            self.faults.mark(point & self.point, Reason.NOT_A_NUMBER, place)
            self.point |= point
            self.begun |= point
            other &= ~point
        for alone in ELEVEN_ALONE + TWELVE_ALONE:
            self.faults.mark(other & (column == alone), Reason.ZONE_ALONE, place)
        self.faults.mark(other, Reason.NOT_A_DIGIT, place)
        self.begun |= other

    def _digit(self, digit: Bytes, is_digit: Mask) -> None:
        if is_digit.all():
            self.value *= 10
            self.value += digit
        else:
            np.copyto(self.value, self.value * 10 + digit, where=is_digit)
        self.begun |= is_digit
        self.digits |= is_digit
        if self.shape.punched:
            self.decimals += is_digit & self.point

    def close(self) -> CloseReading:
        no_digit = ~self.digits
        self.faults.mark(no_digit & self.signed, Reason.BAD_SIGN)
        self.faults.mark(no_digit, Reason.NOT_A_NUMBER)
        if self.shape.punched:
            self._scale()
        np.negative(self.value, out=self.value, where=self.negative)
        missing = self.faults.reason != 0
        self.value[missing] = 0
        self.zone[missing] = 0
        return CloseReading(self.value, missing, self.faults.reason, self.faults.column, self.zone)

    def _scale(self) -> None:
        short = self.shape.scale - self.decimals
        self.faults.mark(short < 0, Reason.NOT_A_NUMBER)
        factor = np.int64(10) ** np.maximum(short, 0)
        self.faults.mark(self.value >= _LIMIT // factor, Reason.NOT_A_NUMBER)
        self.value *= factor


def read_numbers(columns: Bytes, shape: NumberShape) -> CloseReading:
    """Read numbers from columns (w, k), none of which is wholly blank.

    A number with `punched` may lack its point and then counts units. Values that cannot be read
    are 0 and missing.
    """
    alone = _lone_flags(columns, shape)
    reader = _Reader(columns, shape)
    with np.errstate(over="ignore"):  # more digits than 64 bits: digits are read for their text
        reader.run()
    reading = reader.close()
    if alone is not None and alone.any():
        reading.reason[alone] = Reason.NONE
        reading.column[alone] = -1
        zones = np.where(columns[-1] == ELEVEN_ALONE[0], MINUS, PLUS).astype(np.uint8)
        if reading.zone is not None:
            reading.zone[alone] = zones[alone]
    return reading


def _lone_flags(columns: Bytes, shape: NumberShape) -> Mask | None:
    if not shape.lone_flag:
        return None
    last = columns[-1]
    alone: Mask = (columns[:-1] == BLANK).all(axis=0)
    eleven = last == ELEVEN_ALONE[0]
    twelve = (last == TWELVE_ALONE[0]) | (last == TWELVE_ALONE[1])
    flagged = np.zeros(columns.shape[1], np.bool_)
    if shape.flags & MINUS:
        flagged |= eleven
    if shape.flags & PLUS:
        flagged |= twelve
    return alone & flagged

"""What all kinds of field share when their columns become values.

Every kind of field has a quick way that reads all cards at once and tells which cards it does not
understand, and a close way that reads those few by the full rules. What the two make of a card
that both understand is the same.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.values import ValueKind, Values
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.failures import Reason
from deckwright.layout.numbers import CloseReading
from deckwright.layout.overpunch import read_zoned_zeros
from deckwright.layout.words import BLANK, Bytes, Places, cells_at, holds_text

Mask = NDArray[np.bool_]
Data = NDArray[Any]

NO_ROWS: Places = np.zeros(0, np.intp)


@dataclass(slots=True)
class FieldReading:
    """One field of n cards.

    flag: values of the companion field. rows: places (k, ascending) of cards that cannot be read.
    reason: uint8 (k), see `Reason`. column: int16 (k), place in the field from 0, -1 unknown.
    """

    values: Values
    flag: Values | None
    rows: Places
    reason: Bytes
    column: NDArray[np.int16]


class FieldKernel(ABC):
    """Reads one field."""

    value_kind: ValueKind = "text"
    zoned: bool = False
    """Whether a zone may stand over a digit of the field."""

    def __init__(self, spec: FieldSpec) -> None:
        self.spec = spec
        self.first, self.last = spec.span
        self.width = spec.width
        self.flag_words = _flag_words(spec)

    @abstractmethod
    def empty(self, count: int) -> Data:
        """Return data for so many cards without a value."""

    @abstractmethod
    def read(self, text: Bytes, holes: NDArray[np.uint16] | None = None) -> FieldReading:
        """Read the field of steady text (n, L)."""


class TwoWayKernel(FieldKernel):
    """Reads all cards quickly, and those that the quick way does not understand closely."""

    def __init__(self, spec: FieldSpec) -> None:
        super().__init__(spec)
        self.blank_is_value = spec.blank in ("text", "zero")
        self.missing_texts = placements(spec.missing_values, spec.width)
        self.zoned = bool(spec.overpunch) or spec.sign.startswith("overpunch")
        # a missing value without blanks may look like a value to the quick way
        self.disguised = [text for text in self.missing_texts if BLANK not in text]

    @abstractmethod
    def quick(self, text: Bytes) -> tuple[Data, Mask]:
        """Return data (n) and bool (n): true where a card needs close reading."""

    @abstractmethod
    def closely(self, columns: Bytes) -> CloseReading:
        """Read columns (w, k), none of which is wholly blank or a missing value."""

    @override
    def empty(self, count: int) -> Data:
        return np.zeros(count, np.int64)

    @override
    def read(self, text: Bytes, holes: NDArray[np.uint16] | None = None) -> FieldReading:
        data, doubt = self.quick(text)
        for hidden in self.disguised:
            doubt |= holds_text(text, self.first, hidden)
        rows = np.flatnonzero(doubt)
        if not rows.size:
            return self._undoubted(data)
        columns = np.ascontiguousarray(cells_at(text, rows, self.first, self.last).T)
        if holes is not None and self.zoned:
            read_zoned_zeros(columns, holes[rows, self.first - 1 : self.last].T)
        reading = self._sorted_out(columns)
        data[rows] = reading.data
        missing: Mask | None = None
        if reading.missing.any():
            missing = np.zeros(len(text), np.bool_)
            missing[rows] = reading.missing
        bad = np.flatnonzero(reading.reason)
        return FieldReading(
            Values(self.value_kind, data, missing, self.spec.scale),
            self._flag(len(text), rows, reading.zone, rows[bad]),
            rows[bad],
            reading.reason[bad],
            reading.column[bad],
        )

    def _undoubted(self, data: Data) -> FieldReading:
        values = Values(self.value_kind, data, None, self.spec.scale)
        flag = self._flag(len(data), NO_ROWS, None, NO_ROWS)
        return FieldReading(values, flag, NO_ROWS, _NO_REASONS, _NO_COLUMNS)

    def _sorted_out(self, columns: Bytes) -> CloseReading:
        """Tell blank fields and missing values from those that want close reading."""
        count = columns.shape[1]
        blank = (columns == BLANK).all(axis=0)
        absent = blank.copy()
        for text in self.missing_texts:
            absent |= (columns == text[:, None]).all(axis=0)
        open_rows = np.flatnonzero(~absent)
        if len(open_rows) == count:
            return self.closely(columns)
        out = CloseReading(
            self.empty(count),
            absent & ~blank if self.blank_is_value else absent,
            np.zeros(count, np.uint8),
            np.full(count, -1, np.int16),
            np.zeros(count, np.uint8),
        )
        if self.spec.blank == "error":
            out.reason[blank] = Reason.BLANK
        if open_rows.size:
            out.enter(open_rows, self.closely(np.ascontiguousarray(columns[:, open_rows])))
        return out

    def _flag(self, count: int, rows: Places, zone: Bytes | None, bad: Places) -> Values | None:
        if self.flag_words is None:
            return None
        data = np.full((count, self.flag_words.shape[1]), BLANK, np.uint8)
        missing = None
        if zone is not None:
            punched = np.flatnonzero(zone)
            data[rows[punched]] = self.flag_words[zone[punched] >> 4]
        if bad.size:
            missing = np.zeros(count, np.bool_)
            missing[bad] = True
        return Values("text", data, missing)


_NO_REASONS: Bytes = np.zeros(0, np.uint8)
_NO_COLUMNS: NDArray[np.int16] = np.zeros(0, np.int16)


def placements(texts: list[str], width: int) -> list[Bytes]:
    """Return every way in which texts, stripped, may stand in a field."""
    placed: dict[bytes, None] = {}
    for text in texts:
        bare = text.strip().encode("latin-1")
        for start in range(width - len(bare) + 1):
            placed[(b" " * start + bare).ljust(width)] = None
    return [np.frombuffer(text, np.uint8) for text in placed]


def _flag_words(spec: FieldSpec) -> Bytes | None:
    """Return uint8 (3, w): no flag, the word of zone 12, the word of zone 11."""
    if not spec.overpunch:
        return None
    flags = [b"", *(spec.overpunch.get(zone, "").encode("latin-1") for zone in ("12", "11"))]
    width = max(map(len, flags))
    return np.frombuffer(b"".join(flag.ljust(width) for flag in flags), np.uint8).reshape(3, width)

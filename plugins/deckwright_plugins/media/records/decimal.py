"""Variable-length records whose length stands before them in decimal digits.

ECMA-13 (4th edition, 7.2.3; the text of ISO 1001 and ANSI X3.27 format D) puts four digits before
a record, which count themselves too; what is left of a block behind its last record is a padding
field (7.1.4) of circumflexes. The numbers of the clauses are from the table of contents of the
standard, what they say is from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright import OddCards
from deckwright_plugins.media.records.scan import (
    DESCRIPTOR,
    BadDescriptorError,
    Found,
    chain,
    described,
)
from deckwright_plugins.media.records.walk import Walk

LONGEST = 9_999
"""The most bytes that four digits can say, themselves included."""

_ZERO, _NO_DIGIT = 48, 255
_POWERS = 10 ** np.arange(DESCRIPTOR - 1, -1, -1)
_USUAL = 128  # records are first looked for up to so many bytes, then up to the longest yet
_DENSE = 16  # with more likely words than one in so many bytes, every byte is gone through
_FIRST = np.zeros(1, np.intp)


class DecimalWalk(Walk):
    """Goes through records with decimal lengths, and over the padding between them."""

    def __init__(
        self, digits: bytes, padding: bytes, place: int = 0, *, block: int = 0, full: bool = False
    ) -> None:
        """Take digits 0 to 9 and padding as bytes of the deck; bytes of the longest block, or 0.

        `full`: every block has so many bytes, the last one at most.
        """
        super().__init__(place)
        table = bytearray([_NO_DIGIT]) * 256
        for value, digit in enumerate(digits):
            table[digit] = value
        self._values = bytes(table)
        self._is_padding = np.zeros(256, np.bool_)
        self._is_padding[list(padding)] = True
        self._block, self._full = block, full
        self._padded = self._fields = 0
        self._in_padding = False
        self._usual = _USUAL

    @override
    def find(self, data: bytes) -> Found:
        values = np.frombuffer(data, np.uint8)
        lengths, likely = self._lengths(data, self._is_padding[values])
        at = chain(lengths, len(data), None, likely, 1)
        padding = self._is_padding[values[at]]
        ends = at + lengths[at]
        known = padding | (at <= len(data) - DESCRIPTOR)
        self._must_be_right(data, at[known], ends[known], padding[known])
        there = int(np.searchsorted(ends, len(data), side="right"))
        at, ends, padding = at[:there], ends[:there], padding[:there]
        self._count(at, ends, padding)
        starts = at[~padding] + DESCRIPTOR
        self._usual = max(self._usual, int((ends - at)[~padding].max(initial=0)))
        used = int(ends[-1]) if there else 0
        return self.took(Found(starts, ends[~padding] - starts, at[:0], used))

    @override
    def remarks(self) -> Iterator[OddCards]:
        if self._padded:
            filled, places = _number(self._padded, "byte"), _number(self._fields, "place")
            detail = f"padding fills {filled} in {places} between or behind records"
            yield OddCards(_FIRST, "padding", detail, severity="note")

    def _lengths(
        self, data: bytes, padding: NDArray[np.bool_]
    ) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
        """Return what four digits at each byte say, int32 (bytes + 1), and the likely places.

        At padding it is the bytes to its end; at a word that is cut off, more than there are;
        where no digits are, 1. Any four digits of a card may say a length, but few of them one
        that is usual in the deck.
        """
        lengths = np.full(len(data) + 1, len(data) + DESCRIPTOR, np.int32)
        likely = padding.copy()
        there = len(data) - DESCRIPTOR + 1
        if there > 0:
            figures = np.frombuffer(data.translate(self._values), np.uint8)
            said, right = np.zeros(there, np.int16), figures <= 9  # noqa: PLR2004 # a digit
            for place in range(DESCRIPTOR):
                said *= 10
                said += figures[place : there + place]
            numbers = right[:there] & right[1 : there + 1]
            numbers &= right[2 : there + 2] & right[3 : there + 3]
            said *= numbers
            lengths[:there] = np.maximum(said, 1)
            likely[:there] |= (said >= DESCRIPTOR) & (said <= self._usual)
        fill = np.flatnonzero(padding)
        if fill.size:
            last = np.flatnonzero(np.append(np.diff(fill) != 1, True))
            runs = np.diff(last, prepend=-1)
            lengths[fill] = np.repeat(fill[last], runs) + 1 - fill
        at = np.flatnonzero(likely)
        return lengths, at if len(at) * _DENSE < len(data) else at[:0]

    def _must_be_right(
        self,
        data: bytes,
        at: NDArray[np.int64],
        ends: NDArray[np.int64],
        padding: NDArray[np.bool_],
    ) -> None:
        wrong = ~padding & (ends - at < DESCRIPTOR)
        if self._full:
            wrong[:1] |= ~padding[:1] & self._in_padding & (self.place % self._block != 0)
            begins, stops = (self.place + at) // self._block, (self.place + ends - 1) // self._block
            wrong |= ~padding & (begins != stops)
            # padding that ends with the data may go on, or end with the deck
            wrong |= padding & (ends < len(data)) & ((self.place + ends) % self._block != 0)
        elif self._block:
            wrong |= ~padding & (ends - at > self._block)
        bad = np.flatnonzero(wrong)
        if not bad.size:
            return
        first = int(bad[0])
        place, end = int(at[first]), int(ends[first])
        records = int(np.count_nonzero(~padding[:first]))
        what = self._fault(data[place : place + DESCRIPTOR], end - place, padding=padding[first])
        block = (self.place + place) // self._block if self._full else None
        raise BadDescriptorError(place, records, "record", what, block, word="")

    def _fault(self, word: bytes, size: int, *, padding: bool) -> str:
        if padding:
            filled = _number(size, "byte")
            return f"padding of {filled} ends before its block of {self._block:,} bytes does"
        if any(digit == _NO_DIGIT for digit in word.translate(self._values)):
            return f"the bytes {word.hex(' ').upper()} stand where the four digits of a length must"
        if size < DESCRIPTOR:
            return f"the length says fewer than the {DESCRIPTOR} bytes that it has itself"
        over = "reaches over the end of its block" if self._full else "is more than a block holds"
        return f"the length says {size:,} bytes, which {over} of {self._block:,} bytes"

    def _count(
        self, at: NDArray[np.int64], ends: NDArray[np.int64], padding: NDArray[np.bool_]
    ) -> None:
        if not at.size:
            return
        self._padded += int((ends - at)[padding].sum())
        # padding that goes on at the beginning of this stretch was counted as a place before
        self._fields += int(np.count_nonzero(padding)) - int(self._in_padding and padding[0])
        self._in_padding = bool(padding[-1])


def with_lengths(data: NDArray[np.uint8], sizes: NDArray[np.int64], digits: bytes) -> bytes:
    """Return rows of data (n, W), each cut to its size (n), with decimal lengths before them."""
    figures = (sizes[:, None] + DESCRIPTOR) // _POWERS % 10
    return described(data, sizes, np.frombuffer(digits, np.uint8)[figures])


def padded(records: bytes, sizes: NDArray[np.int64], most: int, padding: bytes) -> bytes:
    """Return records, of these sizes (n) without lengths, in blocks filled up to `most` bytes."""
    ends = np.cumsum(sizes + DESCRIPTOR)
    pieces, start, row = [], 0, 0
    while row < len(ends):
        row = int(np.searchsorted(ends, start + most, side="right"))
        end = int(ends[row - 1])
        pieces += [records[start:end], padding * (most - end + start)]
        start = end
    return b"".join(pieces)


def _number(count: int, noun: str) -> str:
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"

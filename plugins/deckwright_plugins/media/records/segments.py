"""Spanned records: segments of records in blocks, joined and cut.

A segment descriptor word is four bytes: the length, itself included, as a big-endian number of two
bytes; a byte that says which part of a record follows (0 all of it, 1 its first part, 2 its last,
3 one between); a zero byte. A word that is 80 and three zero bytes is a null segment: nothing more
lies in its block but zero bytes. Published in manuals of systems that write such data sets.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright import WIDEST, OddCards
from deckwright_plugins.media.records.scan import (
    DESCRIPTOR,
    BadDescriptorError,
    Found,
    find_records,
)
from deckwright_plugins.media.records.walk import Walk

_WHOLE, _HEAD, _END, _BETWEEN = range(4)
_NAMES = {_WHOLE: "a whole record", _HEAD: "the first", _END: "the last", _BETWEEN: "a middle"}
_FIRST = np.zeros(1, np.intp)


class SpannedWalk(Walk):
    """Goes through blocks of segments and joins them to records.

    A span begins with a block in which a record begins. What that block holds of the record before
    belongs to the span before, which is read on until its last record is whole.
    """

    overlaps = True

    def __init__(self, place: int = 0) -> None:
        super().__init__(place)
        self._skip = place > 0
        self._inside = False
        self._parts: list[bytes] = []
        self._opened_in = 0  # block, from 1
        self._nulls = 0

    @override
    def find(self, data: bytes) -> Found:
        found = find_records(data, blocked=True, spanned=True)
        codes = np.frombuffer(data, np.uint8)[found.starts - 2]
        starts, widths = found.starts, found.widths
        begins = codes <= _HEAD
        if self._skip and len(codes):
            first = int(begins.argmax()) if begins.any() else len(codes)
            starts, widths = starts[first:], widths[first:]
            codes, begins = codes[first:], begins[first:]
            self._skip = not len(codes)
        self._must_follow(found.blocks, starts, codes)
        words = starts[begins] - DESCRIPTOR
        before = np.searchsorted(words, np.append(found.blocks, found.used))
        holding = np.diff(before) > 0
        edges, begun = found.blocks[holding], before[:-1][holding] + self._inside
        joined = self._joined(data, found.blocks, starts, widths, codes)
        self._nulls += found.nulls
        return self.took(
            Found(*joined[1:], found.blocks, found.used, edges, begun, joined[0], found.nulls)
        )

    @override
    def unfinished(self) -> str:
        if not self._inside:
            return ""
        size = sum(map(len, self._parts))
        where = f", which began in block {self._opened_in:,}" if self.blocks is not None else ""
        return f"its record{where}, lacks its last segment behind {size:,} bytes"

    @override
    def remarks(self) -> Iterator[OddCards]:
        if self._nulls:
            named = "1 null segment" if self._nulls == 1 else f"{self._nulls:,} null segments"
            detail = f"{named}, with zero bytes to the end of the block, held no part of a record"
            yield OddCards(_FIRST, "null-segments", detail, severity="note")

    def _must_follow(
        self, blocks: NDArray[np.int64], starts: NDArray[np.int64], codes: NDArray[np.uint8]
    ) -> None:
        """Check that first, middle and last segments come in this order, and none is amiss."""
        goes_on = (codes == _HEAD) | (codes == _BETWEEN)
        inside = np.append(self._inside, goes_on)[:-1]
        bad = np.flatnonzero(inside == (codes <= _HEAD))
        if not bad.size:
            return
        first = int(bad[0])
        at = int(starts[first]) - DESCRIPTOR
        what = f"says {_NAMES[int(codes[first])]}"
        if codes[first] != _WHOLE:
            what += " segment of a record"
        if not inside[first]:
            what += ", but no first segment of one came before it"
        elif codes[first] == _HEAD:
            what += ", but another first segment came before it, and no last one between"
        else:
            what += ", but the record before it lacks its last segment"
        records = int(np.count_nonzero(~goes_on[:first]))
        block = int(np.searchsorted(blocks, at, side="right")) - 1
        raise BadDescriptorError(at, records, "record", what, block, word="segment")

    def _joined(
        self,
        data: bytes,
        blocks: NDArray[np.int64],
        starts: NDArray[np.int64],
        widths: NDArray[np.int64],
        codes: NDArray[np.uint8],
    ) -> tuple[bytes | None, NDArray[np.int64], NDArray[np.int64]]:
        """Return the bytes of records one after another, or None for `data`; starts and widths."""
        if not self._inside and not codes.any():
            return None, starts, widths
        turns = np.zeros(len(data) + 1, np.int8)
        turns[starts] += 1
        turns[starts + widths] -= 1
        taken = np.cumsum(turns[:-1], dtype=np.int8).view(np.bool_)
        payload = np.frombuffer(data, np.uint8)[taken].tobytes()
        pending = sum(map(len, self._parts))
        last = np.flatnonzero((codes == _WHOLE) | (codes == _END))
        ends = np.cumsum(widths)
        sizes = np.diff(ends[last] + pending, prepend=0)
        rest = int(ends[-1]) if len(ends) else 0
        used = int(ends[last[-1]]) if len(last) else 0
        over = rest - used if len(last) else rest + pending
        self._must_fit(blocks, starts, codes, np.append(sizes, over))
        whole = b"".join([*self._parts, payload[:used]]) if len(last) else b""
        self._parts = [payload[used:]] if len(last) else [*self._parts, payload]
        if len(codes):
            heads = starts[codes == _HEAD]
            if heads.size:
                inner = int(np.searchsorted(blocks, heads[-1], side="right"))
                self._opened_in = (self.blocks or 0) + inner
            self._inside = bool(codes[-1] & 1)
        return whole, np.cumsum(sizes) - sizes, sizes

    def _must_fit(
        self,
        blocks: NDArray[np.int64],
        starts: NDArray[np.int64],
        codes: NDArray[np.uint8],
        sizes: NDArray[np.int64],
    ) -> None:
        long = np.flatnonzero(sizes > WIDEST)
        if not long.size:
            return
        row = int(long[0])
        ordinal = np.flatnonzero(codes <= _HEAD)
        place = ordinal[min(max(row - self._inside, 0), len(ordinal) - 1)] if ordinal.size else 0
        at = int(starts[place]) - DESCRIPTOR
        what = f"begins or goes on with a record of more than {WIDEST:,} bytes, the most of a card"
        block = int(np.searchsorted(blocks, at, side="right")) - 1
        raise BadDescriptorError(at, row, "record", what, block, word="segment")


def in_segments(
    payload: NDArray[np.uint8], sizes: NDArray[np.int64], most: int
) -> tuple[bytes, NDArray[np.int64]]:
    """Cut records into segments of at most `most` bytes, and put their words before them.

    Args:
        payload: the bytes of all records, one after another.
        sizes: int64 (n), bytes of each record.
        most: bytes of a segment, at least 1, without its word.

    Returns:
        The described segments and int64 (k): the bytes of each, without its word.
    """
    counts = np.maximum(1, -(-sizes // most))
    lasts = np.cumsum(counts) - 1
    pieces = np.full(int(counts.sum()), most, np.int64)
    pieces[lasts] = sizes - (counts - 1) * most
    codes = np.full(len(pieces), _BETWEEN, np.uint8)
    codes[lasts - counts + 1] = _HEAD
    codes[lasts] = _END
    codes[lasts[counts == 1]] = _WHOLE
    heads = np.cumsum(pieces + DESCRIPTOR) - pieces - DESCRIPTOR
    out = np.zeros(len(payload) + DESCRIPTOR * len(pieces), np.uint8)
    free = np.ones(len(out), np.bool_)
    for place in range(DESCRIPTOR):
        free[heads + place] = False
    out[free] = payload
    out[heads], out[heads + 1] = (pieces + DESCRIPTOR) >> 8, (pieces + DESCRIPTOR) & 255
    out[heads + 2] = codes
    return out.tobytes(), pieces

"""Finding variable-length records by their descriptor words, whole stretches at a time.

A record descriptor word is four bytes: the length, itself included, as a big-endian number of two
bytes, then two zero bytes; a block descriptor word is alike and counts its whole block. From
memory. In spanned records the third byte says which part of a record follows, see record_segments.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DESCRIPTOR = 4
"""Bytes of a descriptor word."""

LONGEST_BLOCK = 32_760
"""The most bytes that a descriptor word can stand for (from memory)."""

_LAST_PART = 3  # third byte of a segment's word
_NULL = 0x8000  # length that a null segment says
_NOWHERE = np.zeros(0, np.int64)
_WINDOW = 1 << 14  # small enough that the tables of a window stay in the processor's cache


class BadDescriptorError(Exception):
    """What should be a descriptor word is none.

    Attributes:
        offset: its place in the data given.
        records: how many words came before it.
        of_record: whether it should describe a record, and not a block.
        block: how many blocks of the data came before its own; None where that is not known.
        what: the sentence.
    """

    def __init__(
        self,
        offset: int,
        records: int,
        of: str,
        fault: str,
        block: int | None = None,
        *,
        word: str | None = None,
    ) -> None:
        self.offset, self.records, self.of_record = offset, records, of == "record"
        self.block, named = block, of if word is None else word
        self.what = f"the {named} descriptor word {fault}" if named else fault
        super().__init__(self.what)


@dataclass(frozen=True, slots=True)
class Found:
    """Whole records of some data.

    starts, widths: int64 (n), first byte and bytes of each record without its descriptor word.
    blocks: int64 (k), where blocks begin. used: bytes that whole records and blocks take.
    edges: int64 (m), where a span may begin, and begun: int64 (m), how many records begin before
    each; None: each block, or each record where there are none. joined: the bytes in which the
    records lie, if not those that were given. nulls: null segments.
    """

    starts: NDArray[np.int64]
    widths: NDArray[np.int64]
    blocks: NDArray[np.int64]
    used: int
    edges: NDArray[np.int64] | None = None
    begun: NDArray[np.int64] | None = None
    joined: bytes | None = None
    nulls: int = 0

    def cuts(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return where spans may begin, and how many records begin before each place."""
        if self.edges is not None and self.begun is not None:
            return self.edges, self.begun
        edges = self.blocks if len(self.blocks) else self.starts - DESCRIPTOR
        return edges, np.searchsorted(self.starts, edges, side="right")


def find_records(data: bytes, *, blocked: bool, spanned: bool = False) -> Found:
    """Find the whole records of data that begins with a record, or with a block if `blocked`.

    Where records are `spanned`, their segments are found, and null segments only counted.

    Raises:
        BadDescriptorError: some descriptor word cannot be one.
    """
    lengths = _lengths(data)
    likely = _likely(data, lengths, _LAST_PART if spanned else 0)
    if not blocked:
        at = chain(lengths, len(data), None, likely)
        at, used = _whole(at, lengths, len(data))
        _must_be_right(data, at, lengths, DESCRIPTOR, "record")
        return Found(at + DESCRIPTOR, lengths[at] - DESCRIPTOR, at[:0], used)
    blocks = chain(lengths, len(data), None, likely)
    blocks, used = _whole(blocks, lengths, len(data))
    _must_be_right(data, blocks, lengths, 2 * DESCRIPTOR, "block")
    ends = blocks + lengths[blocks]
    # a step that reaches the end of a block goes on behind the descriptor word of the next one
    leap = np.zeros(len(data) + 1, np.bool_)
    leap[ends] = True
    nulls = _stretched(data, lengths, likely, ends) if spanned else _NOWHERE
    at = chain(lengths, used, leap, likely) if used else blocks
    at = at[at < used]
    if nulls.size:
        empty = np.isin(at, nulls)
        at, nulls = at[~empty], at[empty]
    _must_be_right(data, at, lengths, DESCRIPTOR, "segment" if spanned else "record", ends)
    return Found(at + DESCRIPTOR, lengths[at] - DESCRIPTOR, blocks, used, nulls=len(nulls))


def described(
    data: NDArray[np.uint8], sizes: NDArray[np.int64], words: NDArray[np.uint8] | None = None
) -> bytes:
    """Return rows of data (n, W), each cut to its size (n), with words before them.

    Words: uint8 (n, 4); if not given, descriptor words.
    """
    count, width = data.shape
    whole = np.zeros((count, width + DESCRIPTOR), np.uint8)
    if words is None:
        whole[:, :2] = (sizes + DESCRIPTOR).astype(">u2").view(np.uint8).reshape(count, 2)
    else:
        whole[:, :DESCRIPTOR] = words
    whole[:, DESCRIPTOR:] = data
    if (sizes == width).all():
        return whole.tobytes()
    return whole[np.arange(width + DESCRIPTOR) < (sizes + DESCRIPTOR)[:, None]].tobytes()


def in_blocks(records: bytes, sizes: NDArray[np.int64], most: int) -> bytes:
    """Return described records, of these sizes (n) without the words, in blocks of `most` bytes."""
    ends = np.cumsum(sizes + DESCRIPTOR)
    pieces, start, row = [], 0, 0
    while row < len(ends):
        row = max(row + 1, int(np.searchsorted(ends, start + most - DESCRIPTOR, side="right")))
        end = int(ends[row - 1])
        pieces += [word(end - start + DESCRIPTOR), records[start:end]]
        start = end
    return b"".join(pieces)


def word(size: int) -> bytes:
    """Return the descriptor word that says this size."""
    return size.to_bytes(2, "big") + b"\0\0"


def chain(
    lengths: NDArray[np.integer],
    size: int,
    leap: NDArray[np.bool_] | None,
    likely: NDArray[np.int64],
    least: int = DESCRIPTOR,
) -> NDArray[np.int64]:
    """Return the bytes (n) at which words stand, each where the one before says.

    lengths: integers (bytes + 1), what a word at each byte says; `least` is taken for less.
    leap: bool (bytes + 1), bytes at which a block's word stands before the next record's.
    likely: int64 (k), sorted, bytes at which a word may stand.

    Steps are doubled: from where 1, 2, 4 ... words lead follow the places of as many more. So a
    stretch of n words takes log n array operations. Where every word leads to one of the likely
    places, as in any sound deck, only those are gone through; else every byte may be a word.
    """
    start = 0 if leap is None else DESCRIPTOR
    goes = likely + lengths[likely]
    if leap is not None:
        goes = goes + DESCRIPTOR * leap[np.minimum(goes, len(leap) - 1)]
    last = len(likely)
    following = np.searchsorted(likely, goes)
    known = np.append(likely, -1)[following] == goes
    jump = np.append(np.where(known, following, last), last)
    first = int(np.searchsorted(likely, start))
    if first < last and likely[first] == start:
        links = np.array([first])
        while links[-1] != last:
            links = np.concatenate([links, jump[links]])
            jump = jump[jump]
        links = links[: int(np.searchsorted(links, last))]
        end = int(goes[links[-1]])
        if end > size - DESCRIPTOR:
            at = likely[links]
            return np.append(at[at < size], np.arange(end, max(end, size))[:1])
    return _chain_of_bytes(lengths, size, leap, least)


def _lengths(data: bytes) -> NDArray[np.int64]:
    """Return int64 (bytes): the length that a descriptor word at each byte would say; 0 at the end.

    A word that is cut off says a length that reaches beyond the data.
    """
    lengths = np.full(len(data) + 1, len(data) + DESCRIPTOR, np.int64)
    if len(data) >= DESCRIPTOR:
        values = np.frombuffer(data, np.uint8).astype(np.int64)
        there = len(data) - DESCRIPTOR + 1
        lengths[:there] = values[:there] << 8 | values[1 : there + 1]
    return lengths


def _likely(data: bytes, lengths: NDArray[np.int64], most: int = 0) -> NDArray[np.int64]:
    """Return the bytes (n) at which a descriptor word may stand.

    Behind a length stand there a byte of at most `most`, and a zero byte.
    """
    values = np.frombuffer(data, np.uint8)
    part, zero = values[2:-1] <= most, values[3:] == 0
    at = np.flatnonzero(part & zero) if len(values) > DESCRIPTOR else _NOWHERE
    return at[lengths[at] >= DESCRIPTOR]


def _stretched(
    data: bytes,
    lengths: NDArray[np.int64],
    likely: NDArray[np.int64],
    ends: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Let every null segment reach to the end (k) of its block; return where they begin."""
    nulls = likely[lengths[likely] == _NULL]
    if not nulls.size or not ends.size:
        return _NOWHERE
    nulls = nulls[nulls < ends[-1]]
    stops = ends[np.searchsorted(ends, nulls, side="right")]
    filled = np.flatnonzero(np.frombuffer(data, np.uint8))
    # its first byte must be the last of its block that is not zero
    empty = filled[np.searchsorted(filled, stops) - 1] == nulls
    lengths[nulls[empty]] = (stops - nulls)[empty]
    found: NDArray[np.int64] = nulls[empty]
    return found


def _chain_of_bytes(
    lengths: NDArray[np.integer], size: int, leap: NDArray[np.bool_] | None, least: int
) -> NDArray[np.int64]:
    """Return what `chain` does for data in which any byte may be a word."""
    found = [_NOWHERE]
    at = 0 if leap is None else DESCRIPTOR
    while at < size:
        stop = min(at + _WINDOW, size)
        places = np.arange(at, stop + 1, dtype=np.int64)
        goes = places + np.maximum(lengths[at : stop + 1], least)
        if leap is not None:
            goes += DESCRIPTOR * leap[np.minimum(goes, len(leap) - 1)]
        jump = np.minimum(goes, stop) - at
        jump[-1] = stop - at
        links = np.zeros(1, np.int64)
        while links[-1] < stop - at:
            links = np.concatenate([links, jump[links]])
            jump = jump[jump]
        links = links[: int(np.searchsorted(links, stop - at))]
        found.append(links + at)
        at = int(goes[links[-1]])
    return np.concatenate(found)


def _whole(
    at: NDArray[np.int64], lengths: NDArray[np.int64], size: int
) -> tuple[NDArray[np.int64], int]:
    """Return the words whose record is there to its end, and where the last of them ends."""
    count = int(np.searchsorted(at + np.maximum(lengths[at], DESCRIPTOR), size, side="right"))
    at = at[:count]
    return at, int(at[-1] + max(int(lengths[at[-1]]), DESCRIPTOR)) if count else 0


def _must_be_right(
    data: bytes,
    at: NDArray[np.int64],
    lengths: NDArray[np.int64],
    least: int,
    what: str,
    ends: NDArray[np.int64] | None = None,
) -> None:
    if not at.size:
        return
    # a word that is cut off at the end is wrong by its length alone
    values, last = np.frombuffer(data, np.uint8), len(data) - 1
    size = lengths[at]
    third, fourth = values[np.minimum(at + 2, last)], values[np.minimum(at + 3, last)]
    most = _LAST_PART if what == "segment" else 0
    wrong = (size < least) | (size > LONGEST_BLOCK) | (third > most) | (fourth != 0)
    over = np.zeros(len(at), np.bool_)
    if ends is not None:
        over = at + size > ends[np.searchsorted(ends, at, side="right")]
    bad = np.flatnonzero(wrong | over)
    if not bad.size:
        return
    first = int(bad[0])
    here = third[first], fourth[first]
    if here[0] in {1, 2, 3} and not here[1] and what == "record":
        fault = "is part of a spanned record, so set form = 'spanned'"
    elif over[first] and not wrong[first]:
        fault = f"says {size[first]:,} bytes, which reaches over the end of its block"
    elif wrong[first] and least <= size[first] <= LONGEST_BLOCK:
        must = "a zero byte or 1 to 3 and a zero byte" if most else "two zero bytes"
        fault = f"ends in {here[0]:02X} {here[1]:02X} where {must} must stand"
    elif most and size[first] == _NULL:
        fault = "says a null segment, behind which only zero bytes may fill the block"
    else:
        fault = f"says {size[first]:,} bytes, where {least} to {LONGEST_BLOCK:,} can be"
    block = first if what == "block" else None
    if ends is not None:
        block = int(np.searchsorted(ends, at[first], side="right"))
    # of a record's segments the last one makes it a record
    before = np.count_nonzero(third[:first] % 2 == 0) if most else first
    of = "block" if what == "block" else "record"
    raise BadDescriptorError(int(at[first]), int(before), of, fault, block, word=what)

"""Finding variable-length records by their descriptor words, whole stretches at a time.

A record descriptor word is four bytes: the length, itself included, as a big-endian number of two
bytes, then two zero bytes; a block descriptor word is alike and counts its whole block. From
memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DESCRIPTOR = 4
"""Bytes of a descriptor word."""

LONGEST_BLOCK = 32_760
"""The most bytes that a descriptor word can stand for (from memory)."""

_NOWHERE = np.zeros(0, np.int64)
_WINDOW = 1 << 14  # small enough that the tables of a window stay in the processor's cache


class BadDescriptorError(Exception):
    """What should be a descriptor word is none.

    Attributes:
        offset: its place in the data given.
        records: how many words came before it.
        of_record: whether it should describe a record, and not a block.
        what: the sentence.
    """

    def __init__(self, offset: int, records: int, of: str, fault: str) -> None:
        self.offset, self.records, self.of_record = offset, records, of == "record"
        self.what = f"the {of} descriptor word {fault}"
        super().__init__(self.what)


@dataclass(frozen=True, slots=True)
class Found:
    """Whole records of some data.

    starts, widths: int64 (n), first byte and bytes of each record without its descriptor word.
    blocks: int64 (k), where blocks begin. used: bytes that whole records and blocks take.
    """

    starts: NDArray[np.int64]
    widths: NDArray[np.int64]
    blocks: NDArray[np.int64]
    used: int


def find_records(data: bytes, *, blocked: bool) -> Found:
    """Find the whole records of data that begins with a record, or with a block if `blocked`.

    Raises:
        BadDescriptorError: some descriptor word cannot be one.
    """
    lengths = _lengths(data)
    likely = _likely(data, lengths)
    if not blocked:
        at = _chain(lengths, len(data), None, likely)
        at, used = _whole(at, lengths, len(data))
        _must_be_right(data, at, lengths, DESCRIPTOR, "record")
        return Found(at + DESCRIPTOR, lengths[at] - DESCRIPTOR, at[:0], used)
    blocks = _chain(lengths, len(data), None, likely)
    blocks, used = _whole(blocks, lengths, len(data))
    _must_be_right(data, blocks, lengths, 2 * DESCRIPTOR, "block")
    ends = blocks + lengths[blocks]
    # a step that reaches the end of a block goes on behind the descriptor word of the next one
    leap = np.zeros(len(data) + 1, np.bool_)
    leap[ends] = True
    at = _chain(lengths, used, leap, likely) if used else blocks
    at = at[at < used]
    _must_be_right(data, at, lengths, DESCRIPTOR, "record", ends)
    return Found(at + DESCRIPTOR, lengths[at] - DESCRIPTOR, blocks, used)


def described(data: NDArray[np.uint8], sizes: NDArray[np.int64]) -> bytes:
    """Return rows of data (n, W), each cut to its size (n), with descriptor words before them."""
    count, width = data.shape
    whole = np.zeros((count, width + DESCRIPTOR), np.uint8)
    whole[:, :2] = (sizes + DESCRIPTOR).astype(">u2").view(np.uint8).reshape(count, 2)
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


def _likely(data: bytes, lengths: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the bytes (n) at which a descriptor word may stand: two zero bytes behind a length."""
    values = np.frombuffer(data, np.uint8)
    zero = values[2:] == 0
    at = np.flatnonzero(zero[:-1] & zero[1:]) if len(values) > DESCRIPTOR else _NOWHERE
    return at[lengths[at] >= DESCRIPTOR]


def _chain(
    lengths: NDArray[np.int64], size: int, leap: NDArray[np.bool_] | None, likely: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the bytes (n) at which words stand, each where the one before says.

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
        chain = np.array([first])
        while chain[-1] != last:
            chain = np.concatenate([chain, jump[chain]])
            jump = jump[jump]
        chain = chain[: int(np.searchsorted(chain, last))]
        end = int(goes[chain[-1]])
        if end > size - DESCRIPTOR:
            at = likely[chain]
            return np.append(at[at < size], np.arange(end, max(end, size))[:1])
    return _chain_of_bytes(lengths, size, leap)


def _chain_of_bytes(
    lengths: NDArray[np.int64], size: int, leap: NDArray[np.bool_] | None
) -> NDArray[np.int64]:
    """Return what `_chain` does for data in which any byte may be a word."""
    found = [_NOWHERE]
    at = 0 if leap is None else DESCRIPTOR
    while at < size:
        stop = min(at + _WINDOW, size)
        places = np.arange(at, stop + 1, dtype=np.int64)
        goes = places + np.maximum(lengths[at : stop + 1], DESCRIPTOR)
        if leap is not None:
            goes += DESCRIPTOR * leap[np.minimum(goes, len(leap) - 1)]
        jump = np.minimum(goes, stop) - at
        jump[-1] = stop - at
        chain = np.zeros(1, np.int64)
        while chain[-1] < stop - at:
            chain = np.concatenate([chain, jump[chain]])
            jump = jump[jump]
        chain = chain[: int(np.searchsorted(chain, stop - at))]
        found.append(chain + at)
        at = int(goes[chain[-1]])
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
    wrong = (size < least) | (size > LONGEST_BLOCK) | (third != 0) | (fourth != 0)
    over = np.zeros(len(at), np.bool_)
    if ends is not None:
        over = at + size > ends[np.searchsorted(ends, at, side="right")]
    bad = np.flatnonzero(wrong | over)
    if not bad.size:
        return
    first = int(bad[0])
    if third[first] in {1, 2, 3} and not fourth[first] and what == "record":
        fault = "is part of a spanned record, which cannot be read"
    elif over[first] and not wrong[first]:
        fault = f"says {size[first]:,} bytes, which reaches over the end of its block"
    elif wrong[first] and least <= size[first] <= LONGEST_BLOCK:
        fault = f"ends in {third[first]:02X} {fourth[first]:02X} where two zero bytes must stand"
    else:
        fault = f"says {size[first]:,} bytes, where {least} to {LONGEST_BLOCK:,} can be"
    raise BadDescriptorError(int(at[first]), first, what, fault)

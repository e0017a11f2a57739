"""Finding the lines of a text deck, whole blocks at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright import (
    WIDEST,
    UnreadableDeckError,
)

LF = 0x0A
CR = 0x0D

HEAD = 65_536
"""Bytes at the beginning of a deck that tell how its lines end."""

LONGEST_LINE = 1 << 20
"""A line above this many bytes is no card; memory stays bounded by it."""

_BLOCK = 1 << 20
_UTF8_MARK = b"\xef\xbb\xbf"
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, slots=True)
class Head:
    """How a deck begins: first byte after a byte-order mark, byte that ends lines, CR before it."""

    start: int
    end: int
    crlf: bool


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of a block. starts, widths: int64 (n), first byte and columns; carriage: bool (n).

    `carriage` tells which line ends are CR LF. `open_end`: the last line has no line end.
    """

    block: bytes
    starts: NDArray[np.int64]
    widths: NDArray[np.int64]
    carriage: NDArray[np.bool_]
    open_end: bool

    @classmethod
    def of(cls, block: bytes, head: Head, *, closed: bool) -> Lines:
        """Find the lines; what follows the last line end is a line only if `closed`."""
        data = np.frombuffer(block, np.uint8)
        ends = np.flatnonzero(data == head.end).astype(np.int64, copy=False)
        open_end = closed and bool(block) and block[-1] != head.end
        if open_end:
            ends = np.append(ends, len(block))
        starts = np.zeros_like(ends)
        starts[1:] = ends[:-1] + 1
        carriage = np.zeros(len(ends), np.bool_)
        if head.end == LF:
            carriage = (ends > starts) & (data[np.maximum(ends, 1) - 1] == CR)
        if open_end:
            carriage[-1] = False
        return cls(block, starts, ends - starts - carriage, carriage, open_end)

    def __len__(self) -> int:
        return len(self.starts)

    def part(self, first: int, stop: int) -> Lines:
        """Return the lines from `first` up to, not including, `stop`."""
        cut = slice(first, stop)
        open_end = self.open_end and stop >= len(self)
        return Lines(self.block, self.starts[cut], self.widths[cut], self.carriage[cut], open_end)

    def rest(self, used: int) -> bytes:
        """Return the bytes behind the first `used` lines."""
        if not used:
            return self.block
        last = used - 1
        return self.block[int(self.starts[last] + self.widths[last] + self.carriage[last]) + 1 :]

    def matrix(self, width: int, blank: int) -> NDArray[np.uint8]:
        """Return uint8 (n, width): the raw bytes, cut to width or filled up with `blank`."""
        first = int(self.starts[0])
        used = self.block[first : int(self.starts[-1] + self.widths[-1])]
        padded = np.frombuffer(used + bytes([blank]) * width, np.uint8)
        # one window a byte: item k is the width bytes from k on, so a card moves as one item
        windows = np.ndarray((len(used) + 1,), f"V{width}", padded, 0, (1,))
        matrix = windows[self.starts - first].view(np.uint8).reshape(len(self), width)
        short = np.flatnonzero(self.widths < width)
        if short.size:
            lines = matrix[short]
            over = np.arange(width, dtype=np.uint16) >= self.widths[short, None].astype(np.uint16)
            np.putmask(lines, over, blank)
            matrix[short] = lines
        return matrix

    def record(self, row: int) -> bytes:
        """Return a whole line without its line end."""
        start = int(self.starts[row])
        return self.block[start : start + int(self.widths[row])]


def read_head(deck: Path) -> Head:
    """Find out how the lines of a deck end.

    Raises:
        UnreadableDeckError: the deck is empty, in UTF-16, or has no lines.
    """
    with deck.open("rb") as file:
        head = file.read(HEAD)
    size = deck.stat().st_size
    if head[:2] in _UTF16_MARKS and b"\0" in head:
        raise UnreadableDeckError(str(deck), "is in UTF-16", "save it in a single-byte code first")
    start = len(_UTF8_MARK) if head.startswith(_UTF8_MARK) else 0
    if size <= start:
        raise UnreadableDeckError(str(deck), "holds no cards")
    first = head.find(b"\n")
    if first >= 0:
        # by most of the first lines, so that one odd line does not make all others odd
        ends, carriage = head.count(b"\n", start), head.count(b"\r\n", start)
        first_is = first > start and head[first - 1] == CR
        return Head(start, LF, crlf=first_is if 2 * carriage == ends else 2 * carriage > ends)
    if b"\r" in head:
        return Head(start, CR, crlf=False)
    if size > WIDEST:
        what = f"has no line end in its first {len(head):,} bytes"
        raise UnreadableDeckError(str(deck), what, "if its records are fixed, use kind = 'blocks'")
    return Head(start, LF, crlf=False)


def scan(deck: Path, head: Head) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Go through a deck: starts (k, byte offsets) and widths (k, columns) of its lines, in order.

    Raises:
        UnreadableDeckError: a line is too long for a card, or CR and LF both end lines.
    """
    cards, offset, carry = 0, head.start, b""
    with deck.open("rb", buffering=0) as file:
        file.seek(head.start)
        while True:
            piece = file.read(_BLOCK)
            block = carry + piece
            if head.end == CR and b"\n" in piece:
                what = "ends its first lines with CR and holds LF further on"
                raise UnreadableDeckError(str(deck), what, "bring it to one kind of line end first")
            lines = Lines.of(block, head, closed=not piece)
            if len(lines):
                _must_be_cards(
                    deck, int(lines.widths.max()), cards + int(lines.widths.argmax()) + 1
                )
                yield lines.starts + offset, lines.widths
            if not piece:
                return
            carry = lines.rest(len(lines))
            _must_be_cards(deck, len(carry), cards + len(lines) + 1)
            cards, offset = cards + len(lines), offset + len(block) - len(carry)


def _must_be_cards(deck: Path, longest: int, card: int) -> None:
    if longest > LONGEST_LINE:
        what = f"has a line of more than {LONGEST_LINE:,} bytes at card {card}"
        raise UnreadableDeckError(str(deck), what, "this is no deck of text lines")

"""Where a deck of lines ends: behind a line end, or inside a card. Read from an open file."""

from __future__ import annotations

import os

_LF, _CR = b"\n", b"\r"
_LOOK = 1 << 16
"""Bytes at the begin and at the end of a deck that are looked at."""


def open_end(descriptor: int, longest: int) -> int:
    """Return how many bytes the last line has if no line end follows it, else 0.

    A last line that is no part of a card, too long for one or with a NUL, is none that was cut:
    whoever reads the deck says what is wrong with it.

    CR ends lines only in a deck that has no LF, as for the medium that reads it. A deck that ends
    in its only CR may have been cut inside a CR LF, and has an open end.

    Args:
        descriptor: the deck, open for reading.
        longest: bytes that a card has at most; 0 where it may have any number.

    Raises:
        OSError: it cannot be read.
    """
    size = os.fstat(descriptor).st_size
    last = os.pread(descriptor, _LOOK, max(0, size - _LOOK))
    if not last or last.endswith(_LF):
        return 0
    if last.endswith(_CR):
        first = os.pread(descriptor, _LOOK, 0)
        if _LF not in first + last and first.count(_CR) > 1:
            return 0
    tail = last.replace(_CR, _LF).rstrip(_LF) if last.endswith(_CR) else last.replace(_CR, _LF)
    line = tail[tail.rfind(_LF) + 1 :]
    if b"\0" in line or (longest and len(line) > longest):
        return 0
    return max(1, len(line))


def first_line(descriptor: int) -> int:
    """Return how many bytes a deck has before its first line end.

    Raises:
        OSError: it cannot be read.
    """
    first = os.pread(descriptor, _LOOK, 0)
    return min((at for at in (first.find(_LF), first.find(_CR)) if at >= 0), default=len(first))


def may_join(tail: int, first: int, longest: int) -> bool:
    """Tell whether an open last line and a first line, in bytes, could be the halves of one card.

    longest: bytes that a card has at most; 0 where it may have any number.
    """
    return not longest or tail + first <= longest

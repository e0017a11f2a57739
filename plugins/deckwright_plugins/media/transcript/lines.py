"""Finding the cards of a hole transcript: groups of lines, separated by empty lines or by count."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright import Span, Survey, UnreadableDeckError, cut_spans, read_exactly
from deckwright_plugins.shared.lines import CR, LONGEST_LINE, Head, Lines, read_head

MOST_LINES = 65_536
"""Lines without an empty one between them above which a deck is no transcript."""

_BLOCK = 1 << 20
_BLANKS = (0x20, 0x09, CR)
_NONE = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class Cards:
    """Cards of a tray as groups of lines.

    lines: all lines that belong to cards, in order. card, place: int64 (lines), place of the
    card in the tray and of the line in its card, both from 0. sizes: int64 (n), lines of each card.
    number: int64 (lines), which line of the stretch each was, from 0.
    """

    lines: Lines
    card: NDArray[np.int64]
    place: NDArray[np.int64]
    sizes: NDArray[np.int64]
    number: NDArray[np.int64]

    def record(self, card: int) -> bytes:
        """Return the lines of a card, LF between them."""
        first, stop = np.searchsorted(self.card, [card, card + 1]).tolist()
        return b"\n".join(self.lines.record(row) for row in range(first, stop))


@dataclass(frozen=True, slots=True)
class Grouping:
    """How lines make cards: `by_count` lines each; 0 = an empty line ends a card."""

    by_count: int

    def survey(self, deck: Path, width: int, cards_a_span: int) -> Survey:
        """Count the cards and cut the deck into spans.

        Raises:
            UnreadableDeckError: there are no cards, or the lines do not make whole cards.
        """
        head = read_head(deck)
        offsets, cards, number, last = [_NONE], 0, 0, 0
        open_card = False
        for offset, lines in _blocks(deck, head):
            firsts, open_card = self._firsts(lines, number, open_card=open_card)
            offsets.append((lines.starts[firsts] + offset)[-cards % cards_a_span :: cards_a_span])
            ends = np.append(firsts, len(lines)) + number
            before = np.append(last, firsts + number)
            if not self.by_count and int((ends - before).max()) > MOST_LINES:
                card = cards + int((ends - before).argmax())
                what = f"has {MOST_LINES:,} lines in card {card} without an empty line"
                remedy = "set between = 'count' if lines are only counted"
                raise UnreadableDeckError(str(deck), what, remedy)
            last = int(before[-1])
            cards, number = cards + len(firsts), number + len(lines)
        if not cards:
            raise UnreadableDeckError(str(deck), "holds no cards")
        if self.by_count and number % self.by_count:
            left = number % self.by_count
            what = f"ends inside card {cards}, after {left} of the {self.by_count} lines of a card"
            remedy = "check record_length, form and between, and the copy"
            raise UnreadableDeckError(str(deck), what, remedy)
        end = deck.stat().st_size
        return Survey(cards, width, cut_spans(np.concatenate(offsets), end, cards, cards_a_span))

    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[tuple[int, int, Cards]]:
        """Read a span: first card, lines of the span before, cards of each tray."""
        head = read_head(deck)
        first, left, carry, number = span.first_card, span.size, b"", 0
        step = max(1 << 16, cards_a_tray * (span.size // span.cards + 1))
        with deck.open("rb", buffering=0) as file:
            file.seek(span.offset)
            while left or carry:
                wanted = min(left, step)
                left -= wanted
                block = carry + read_exactly(file, wanted, deck)
                lines = Lines.of(block, head, closed=not left)
                firsts, _ = self._firsts(lines, 0, open_card=False)
                whole = len(firsts) - bool(left)
                used = done = 0
                while done < whole and (not left or whole - done >= cards_a_tray):
                    stop = min(done + cards_a_tray, whole)
                    end = int(firsts[stop]) if stop < len(firsts) else len(lines)
                    yield first, number + used, self._cards(lines.part(used, end))
                    first, used, done = first + stop - done, end, stop
                number += used
                carry = lines.rest(used) if left else b""

    def _firsts(
        self, lines: Lines, number: int, *, open_card: bool
    ) -> tuple[NDArray[np.int64], bool]:
        """Return the lines (k) that begin cards, and whether the last line leaves a card open."""
        if self.by_count:
            return np.arange(-number % self.by_count, len(lines), self.by_count), False
        filled = np.append(open_card, ~_empty(lines))
        firsts = np.flatnonzero(filled[1:] & ~filled[:-1])
        return firsts.astype(np.int64, copy=False), bool(filled[-1])

    def _cards(self, lines: Lines) -> Cards:
        rows = np.arange(len(lines))
        firsts, _ = self._firsts(lines, 0, open_card=False)
        if not self.by_count:
            rows = np.flatnonzero(~_empty(lines))
        kept = lines_at(lines, rows)
        card = np.searchsorted(firsts, rows, side="right") - 1
        sizes = np.bincount(card, minlength=len(firsts)).astype(np.int64)
        place = np.arange(len(rows)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
        return Cards(kept, card, place, sizes, rows)


def lines_at(lines: Lines, rows: NDArray[np.intp]) -> Lines:
    """Return these lines (k) of a block."""
    starts, widths = lines.starts[rows], lines.widths[rows]
    return Lines(lines.block, starts, widths, lines.carriage[rows], open_end=False)


def line_number(deck: Path, offset: int) -> int:
    """Return the number (from 1) of the line that begins at a byte of the deck."""
    head = read_head(deck)
    lines = 1
    with deck.open("rb") as file:
        left = offset
        while left and (block := file.read(min(_BLOCK, left))):
            left -= len(block)
            lines += block.count(bytes([head.end]))
    return lines


def _empty(lines: Lines) -> NDArray[np.bool_]:
    """Return bool (n): lines that hold blanks only, or nothing."""
    empty: NDArray[np.bool_] = lines.widths == 0
    data = np.frombuffer(lines.block + b"\n", np.uint8)
    rows = np.flatnonzero(~empty & np.isin(data[lines.starts], _BLANKS))
    if rows.size:
        # count what is no blank up to each byte; only lines that begin with a blank need it
        solid = ~np.isin(data, _BLANKS)
        count = np.concatenate([[0], np.cumsum(solid, dtype=np.int64)])
        starts = lines.starts[rows]
        empty[rows] = count[starts + lines.widths[rows]] == count[starts]
    return empty


def _blocks(deck: Path, head: Head) -> Iterator[tuple[int, Lines]]:
    """Go through a deck: byte offset of a block, and its lines.

    Raises:
        UnreadableDeckError: a line is too long.
    """
    offset, carry, number = head.start, b"", 0
    with deck.open("rb", buffering=0) as file:
        file.seek(head.start)
        while True:
            piece = file.read(_BLOCK)
            block = carry + piece
            lines = Lines.of(block, head, closed=not piece)
            if len(lines):
                yield offset, lines
            if not piece:
                return
            carry = lines.rest(len(lines))
            number += len(lines)
            offset += len(block) - len(carry)
            if len(carry) > LONGEST_LINE:
                what = f"has more than {LONGEST_LINE:,} bytes in line {number + 1}"
                raise UnreadableDeckError(str(deck), what, "this is no transcript of holes")

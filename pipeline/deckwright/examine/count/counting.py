"""The one pass over all cards: values by column, odd cards, and how running numbers run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.matrix import blank_rows
from deckwright.examine.count.banners import banners
from deckwright.examine.count.classes import Cells
from deckwright.examine.count.running import Running
from deckwright.examine.count.typecounting import TypeCount
from deckwright.plugin.media import Medium
from deckwright.plugin.values import RawTray, Span

EXAMPLES = 12
"""Cards of each odd kind whose numbers are kept."""

CARDS_A_TRAY = 32_768

_PAIR = 65_536
_BYTE = 256


@dataclass(slots=True)
class OddCount:
    """Cards of one odd kind."""

    sentence: str
    count: int = 0
    cards: list[int] = field(default_factory=list)

    def add(self, cards: NDArray[np.int64]) -> None:
        """Count cards by their numbers."""
        self.count += len(cards)
        self.cards += cards[: EXAMPLES - len(self.cards)].tolist()

    def merge(self, later: OddCount) -> None:
        """Add what was counted further on in the deck."""
        self.count += later.count
        self.cards += later.cards[: EXAMPLES - len(self.cards)]


@dataclass(slots=True, eq=False)
class Counts:
    """What one pass counts over data cards. values: int64 (L, 256 or 4096)."""

    cells: Cells
    values: NDArray[np.int64]
    running: list[Running]
    types: TypeCount | None = None
    cards: int = 0
    data_cards: int = 0
    lengths: dict[int, int] = field(default_factory=dict)
    odd: dict[str, OddCount] = field(default_factory=dict)

    @classmethod
    def of(cls, cells: Cells, width: int, spans: Sequence[tuple[int, int]] = ()) -> Counts:
        """Return counts of nothing; spans: columns (from 1) of fields that may be sequences."""
        running = [Running(first, last) for first, last in spans]
        return cls(cells, np.zeros((width, cells.values), np.int64), running)

    def merge(self, later: Counts) -> None:
        """Add what was counted further on in the deck."""
        self.values += later.values
        self.cards += later.cards
        self.data_cards += later.data_cards
        for length, count in later.lengths.items():
            self.lengths[length] = self.lengths.get(length, 0) + count
        for reason, odd in later.odd.items():
            if reason in self.odd:
                self.odd[reason].merge(odd)
            else:
                self.odd[reason] = odd
        for ours, theirs in zip(self.running, later.running, strict=True):
            ours.merge(theirs)
        if self.types is not None and later.types is not None:
            self.types.merge(later.types)

    def add(self, tray: RawTray, offset: int) -> NDArray[np.bool_]:
        """Count a tray; return bool (n): its data cards. offset: cards of the decks before."""
        text = tray.text
        numbers = np.arange(len(text), dtype=np.int64) + (tray.first_card + offset)
        blank = blank_rows(text) if tray.holes is None else (tray.holes == 0).all(axis=1)
        data: NDArray[np.bool_] = np.logical_not(blank)
        self.note("blank", "the card has no hole and no character", numbers[blank])
        for found in banners(text, tray.holes, self.cells, data):
            self.note(found.reason, found.sentence, numbers[found.rows])
            data[found.rows] = False
        self._count_odd(tray, numbers)
        self.cards += len(text)
        self.data_cards += int(data.sum())
        whole = bool(data.all())
        cells = text if tray.holes is None else tray.holes
        self._count(cells if whole else cells[data])
        for running in self.running:
            running.add(text if whole else text[data], numbers if whole else numbers[data])
        if self.types is not None:
            self.types.add(text if whole else text[data])
        return data

    def _count_odd(self, tray: RawTray, numbers: NDArray[np.int64]) -> None:
        for odd in tray.odd:
            self.note(odd.reason, odd.detail, numbers[odd.rows])
        width = tray.text.shape[1]
        if tray.lengths is None:
            self.lengths[width] = self.lengths.get(width, 0) + len(numbers)
            return
        for length, count in zip(*np.unique(tray.lengths, return_counts=True), strict=True):
            self.lengths[int(length)] = self.lengths.get(int(length), 0) + int(count)
        if "short-line" not in {odd.reason for odd in tray.odd}:
            short = numbers[tray.lengths < width]
            self.note("short-record", f"the record is shorter than {width} columns", short)

    def note(self, reason: str, sentence: str, cards: NDArray[np.int64]) -> None:
        """Enter odd cards by their numbers."""
        if len(cards):
            self.odd.setdefault(reason, OddCount(sentence)).add(cards)

    def _count(self, cells: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Count values by column; two columns at a time where a cell is one byte."""
        width = cells.shape[1]
        if not len(cells):
            return
        if self.cells.holes or width % 2 or len(cells) < _BYTE:
            for column, values in enumerate(np.ascontiguousarray(cells.T)):
                self.values[column] += np.bincount(values, minlength=self.cells.values)
            return
        pairs = np.ascontiguousarray(np.ascontiguousarray(cells).view("<u2").T)
        for place, values in enumerate(pairs):
            table = np.bincount(values, minlength=_PAIR).reshape(_BYTE, _BYTE)
            self.values[2 * place] += table.sum(axis=0)
            self.values[2 * place + 1] += table.sum(axis=1)


def count_spans(
    medium: Medium[Any], deck: Path, spans: Sequence[Span], offset: int, counts: Counts
) -> None:
    """Read spans of a deck and count them.

    Raises:
        UnreadableDeckError: the deck is not what it was at the survey.
    """
    for span in spans:
        for tray in medium.read(deck, span, CARDS_A_TRAY):
            counts.add(tray, offset)

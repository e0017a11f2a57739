"""The scan: a stage that must know what went before."""

from __future__ import annotations

from abc import abstractmethod
from typing import Generic, TypeVar

from deckwright.layout.tray import Tray
from deckwright.plugin.book import Book
from deckwright.plugin.stages import ConfigT, Stage

StateT = TypeVar("StateT")


class ScanStage(Stage[ConfigT], Generic[ConfigT, StateT]):
    """A stage that must know what went before: a number that runs on, a neighbour, a header.

    What must be known is a state, small and plain: numbers, texts, arrays, `LastCards`, or a
    dataclass of these; never None. However the cards are cut, the states of the stretches joined
    in their order must be the state of all of them.
    """

    scans: bool = True
    """False, where the options ask for nothing that went before: any tray, any order, then."""
    needs_total: bool = False
    """True: `run` is told the state after the last card too."""

    @abstractmethod
    def fold(self, tray: Tray) -> StateT:
        """Return the state of a stretch of cards alone, as they come to this stage."""

    @abstractmethod
    def join(self, earlier: StateT, later: StateT) -> StateT:
        """Return the state of two stretches of cards, the later right after the earlier."""

    @abstractmethod
    def run(self, tray: Tray, book: Book, before: StateT | None, total: StateT | None) -> Tray:
        """Return the cards that go on; enter all others in the book.

        Args:
            tray: the cards.
            book: its account.
            before: the state of all cards before this tray; None = it holds the first card.
            total: the state of all cards, where `needs_total`; else None.
        """

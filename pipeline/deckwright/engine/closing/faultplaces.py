"""Where faults gather: in which columns of the cards, and in which stretch of the run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.plugin.values import DeckPart
from deckwright.report.model import FaultPlaces

MOST_STRETCHES = 160
"""Stretches that a run is cut into."""

_WHOLE = 80  # a reason over that many columns speaks of the card and not of a place on it


class PlaceCounter:
    """Counts returned cards and their fatal reasons, window by window."""

    def __init__(self, decks: Sequence[DeckPart]) -> None:
        self._decks = decks
        self._cards = sum(deck.cards for deck in decks)
        self._order = np.zeros(min(self._cards, MOST_STRETCHES), np.int64)
        self._firsts = np.full(len(self._order), self._cards + 1, np.int64)
        self._steps: NDArray[np.int64] = np.zeros(1, np.int64)

    def add(self, cards: NDArray[np.int64], fatal: pl.DataFrame) -> None:
        """Add returned cards, int64 (k), and the fatal reasons for them."""
        inside = cards[cards <= self._cards] - 1  # others were added by stages
        if len(inside):
            stretches = inside * len(self._order) // self._cards
            self._order += np.bincount(stretches, minlength=len(self._order))
            np.minimum.at(self._firsts, stretches, inside + 1)
        spans = (
            fatal.select(
                first=pl.coalesce("column", "first").cast(pl.Int64),
                last=pl.coalesce("column", "last").cast(pl.Int64),
            )
            .drop_nulls()
            .filter((pl.col("first") > 0) & (pl.col("last") - pl.col("first") + 1 < _WHOLE))
        )
        if spans.height:
            first, last = spans["first"].to_numpy(), spans["last"].to_numpy()
            width = int(max(last.max(), len(self._steps) - 1))
            steps = np.bincount(first - 1, minlength=width + 1)
            steps -= np.bincount(last, minlength=width + 1)
            steps[: len(self._steps)] += self._steps
            self._steps = steps

    def places(self) -> FaultPlaces:
        """Return what was counted; columns (80) at least."""
        columns = np.cumsum(self._steps)[:-1]
        if len(columns) < _WHOLE:
            columns = np.pad(columns, (0, _WHOLE - len(columns)))
        edges = -(-np.arange(len(self._order) + 1) * self._cards // max(1, len(self._order)))
        decks = [(deck.name, deck.first) for deck in self._decks]
        return FaultPlaces(columns, self._order, np.diff(edges), self._firsts, decks)

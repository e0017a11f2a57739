"""Returned cards by reason: how many there are, which ones, and some of each to be drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.layout.tray import Tray
from deckwright.plugin.values import DeckPart

MOST_DRAWN = 400
"""Returned cards that are kept to be drawn, of all reasons together."""

MOST_LISTED = 20_000
"""Returned cards whose numbers are kept."""

_KEY = ("stage", "reason", "field")
_MANY = 10  # groups from which on fewer cards of each are kept
Key = tuple[int, str, str]


@dataclass(frozen=True, slots=True)
class Picked:
    """One reason. trays, entries: cards to be drawn, with all their reasons; numbers: int64 (k)."""

    stage: int
    reason: str
    field: str
    count: int
    trays: Sequence[Tray]
    entries: Sequence[pl.DataFrame]
    numbers: NDArray[np.int64]


@dataclass(slots=True)
class ReturnedGroups:
    """Collects returned cards window by window; a card belongs to the first of its reasons."""

    counts: dict[Key, int] = field(default_factory=dict)
    _kept: list[tuple[Tray, pl.DataFrame, pl.DataFrame]] = field(default_factory=list)
    _numbers: list[pl.DataFrame] = field(default_factory=list)
    _listed: int = 0

    def add(self, tray: Tray, fatal: pl.DataFrame) -> None:
        """Add returned cards in the order of their numbers, with their fatal reasons."""
        if not len(tray):
            return
        first = fatal.unique("card", keep="first", maintain_order=True).select("card", *_KEY)
        main = (
            pl.DataFrame({"card": tray.cards})
            .join(first, on="card", how="left", maintain_order="left")
            .with_columns(pl.col("stage").fill_null(0), pl.col("reason", "field").fill_null(""))
        )
        new = main.group_by(*_KEY, maintain_order=True).len()
        keys: list[Key] = list(new.select(*_KEY).iter_rows())
        seen = pl.Series("seen", [self.counts.get(key, 0) for key in keys], pl.Int64)
        for key, count in zip(keys, new["len"].to_list(), strict=True):
            self.counts[key] = self.counts.get(key, 0) + count
        most = MOST_DRAWN if len(self.counts) <= _MANY else MOST_DRAWN // _MANY
        ranked = main.join(
            new.with_columns(seen), on=_KEY, how="left", maintain_order="left"
        ).with_columns(rank=pl.col("seen") + pl.int_range(pl.len()).over(*_KEY))
        rows = np.flatnonzero((ranked["rank"] < most).to_numpy())
        if len(rows):
            part = tray.take(rows)
            cards = pl.Series("card", part.cards)
            self._kept.append((part, fatal.filter(pl.col("card").is_in(cards.implode())),
                               main[rows.tolist()]))  # fmt: skip
        if self._listed < MOST_LISTED:
            self._numbers.append(main.head(MOST_LISTED - self._listed))
            self._listed += len(self._numbers[-1])

    def picked(self) -> list[Picked]:
        """Return the reasons, the most frequent first, with as many cards as may be drawn."""
        order = sorted(self.counts, key=lambda key: (-self.counts[key], key))
        kept = {key: [_rows_of(main, key) for _, _, main in self._kept] for key in order}
        given = _allotted([sum(map(len, kept[key])) for key in order], MOST_DRAWN)
        numbers = pl.concat(self._numbers) if self._numbers else None
        found = []
        for key, most in zip(order, given, strict=True):
            trays, entries = self._first(kept[key], most)
            of_key = [] if numbers is None else _rows_of(numbers, key).tolist()
            cards = np.zeros(0, np.int64) if numbers is None else numbers["card"].to_numpy()
            found.append(Picked(*key, self.counts[key], trays, entries, cards[of_key]))
        return found

    def _first(
        self, rows: list[NDArray[np.intp]], most: int
    ) -> tuple[list[Tray], list[pl.DataFrame]]:
        trays, entries = [], []
        for places, (tray, fatal, _) in zip(rows, self._kept, strict=True):
            part = tray.take(places[: max(0, most)])
            most -= len(part)
            if len(part):
                trays.append(part)
                entries.append(fatal.filter(pl.col("card").is_in(part.cards.tolist())))
        return trays, entries


def numbers_said(cards: NDArray[np.int64], decks: Sequence[DeckPart]) -> str:
    """Return card numbers in words, such as `1 to 3, 7`; by deck where there is more than one.

    Args:
        cards: int64 (k), numbers in the run, rising.
        decks: all decks of the run.
    """
    said = []
    for deck in decks:
        last = deck.first + deck.cards
        mine = cards[(cards >= deck.first) & (cards < last)] - deck.first + 1
        if len(mine):
            said.append((f"{deck.name}: " if len(decks) > 1 else "") + _runs(mine))
    beyond = int((cards >= decks[-1].first + decks[-1].cards).sum()) if decks else 0
    if beyond:
        said.append(f"{beyond:,} that a stage added")
    return "; ".join(said)


def _runs(numbers: NDArray[np.int64]) -> str:
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1)
    return ", ".join(
        f"{part[0]:,}" if len(part) == 1 else f"{part[0]:,} to {part[-1]:,}" for part in parts
    )


def _rows_of(main: pl.DataFrame, key: Key) -> NDArray[np.intp]:
    stage, reason, field_name = key
    same = (
        (pl.col("stage") == stage) & (pl.col("reason") == reason) & (pl.col("field") == field_name)
    )
    return np.flatnonzero(main.select(same).to_series().to_numpy())


def _allotted(sizes: list[int], most: int) -> list[int]:
    """Return how many of each are taken, so that the small ones are whole and the rest alike."""
    given = [0] * len(sizes)
    for done, place in enumerate(sorted(range(len(sizes)), key=sizes.__getitem__)):
        given[place] = min(sizes[place], (most - sum(given)) // (len(sizes) - done))
    return given

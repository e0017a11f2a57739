"""The account of a stage: every card that came in is in exactly one place when it is done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deckwright.errors import AccountError, PluginError
from deckwright.layout.decks import NO_DECK
from deckwright.layout.tray import Tray, is_among
from deckwright.plugin.book import Book, Gone

Cards = NDArray[np.int64]


@dataclass(slots=True)
class Count:
    """Cards of one stage: in + added = out + returned + set aside. queries, notes: entries."""

    arrived: int = 0
    added: int = 0
    left: int = 0
    returned: int = 0
    set_aside: int = 0
    queries: int = 0
    notes: int = 0
    tallies: dict[str, int] = field(default_factory=dict)

    def add(self, other: Count) -> None:
        """Add the account of another tray."""
        for name in ("arrived", "added", "left", "returned", "set_aside", "queries", "notes"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name, amount in other.tallies.items():
            self.tallies[name] = self.tallies.get(name, 0) + amount

    @property
    def balances(self) -> bool:
        """Return whether the equation holds."""
        return self.arrived + self.added == self.left + self.returned + self.set_aside

    def as_dict(self) -> Mapping[str, int]:
        """Return the five counts of the equation under the names that people read."""
        return {
            "in": self.arrived,
            "added": self.added,
            "out": self.left,
            "returned": self.returned,
            "set_aside": self.set_aside,
        }


@dataclass(frozen=True, slots=True)
class Settled:
    """What one stage did with one tray. kept: places (k) in the tray of the cards that go on.

    kept is None when the same cards go on in the same order.
    """

    count: Count
    kept: NDArray[np.intp] | None
    returned: Cards
    aside: Cards


def by_deck(tray: Tray, out: Tray, settled: Settled) -> Iterator[tuple[str, Count]]:
    """Yield what one stage did with the cards of each named deck of a tray.

    Cards that stages added are of no deck.
    """
    decks = tray.decks
    if decks is None:
        return
    sides = [
        np.bincount(decks.of(cards), minlength=NO_DECK + 1)
        for cards in (tray.cards, out.cards, settled.returned, settled.aside)
    ]
    for place, name in enumerate(decks.names):
        arrived, left, returned, aside = (int(side[place]) for side in sides)
        if arrived:
            yield name, Count(arrived, 0, left, returned, aside)


_NONE = np.zeros(0, np.int64)


def check_account(stage: str, origin: str, tray: Tray, out: object, book: Book) -> Settled:
    """Check the account of one stage over one tray.

    Raises:
        AccountError: a card was lost, doubled or renumbered; names it.
        PluginError: the stage did not return a tray.
    """
    if not isinstance(out, Tray):
        msg = f"{stage} ({origin}) returned {type(out).__name__} in place of a tray"
        raise PluginError(msg)
    _check_shape(stage, origin, out)
    returned = np.concatenate([gone.cards for gone in book.returned] or [_NONE])
    aside = np.concatenate([gone.cards for gone in book.aside] or [_NONE])
    added = np.concatenate(book.added) if book.added else _NONE
    left = [*book.returned, *book.aside]
    kept = False if book.added else _kept(tray, out, left)
    if kept is False:
        _compare(stage, origin, (tray.cards, added), (out.cards, returned, aside))
    count = Count(
        arrived=len(tray),
        added=len(added),
        left=len(out),
        returned=len(returned),
        set_aside=len(aside),
        queries=sum(len(e.cards) for e in book.entries if e.severity == "query"),
        notes=sum(len(e.cards) for e in book.entries if e.severity == "note"),
        tallies=dict(book.tallies),
    )
    places = _in_order(stage, origin, _places(tray, out), out) if kept is False else kept
    return Settled(count, places, returned, aside)  # type: ignore[arg-type] # a bool was replaced above


def _check_shape(stage: str, origin: str, out: Tray) -> None:
    sizes = {len(out.cards), len(out.text)} | {len(values) for values in out.added.values()}
    if len(sizes) != 1:
        msg = f"{stage} ({origin}) returned columns of different lengths {sorted(sizes)}"
        raise PluginError(msg)


def _kept(tray: Tray, out: Tray, left: list[Gone]) -> NDArray[np.intp] | bool | None:
    """Return the places that go on; None = all; False = not simply a part of the tray."""
    gone = sum(len(each.cards) for each in left)
    if not gone:
        same = out.cards is tray.cards or np.array_equal(out.cards, tray.cards)
        return None if same else False
    if all(each.of is tray.cards for each in left):
        away = np.logical_or.reduce([each.mask for each in left])
    else:
        away = is_among(tray.cards, np.concatenate([each.cards for each in left]))
    places = np.flatnonzero(~away)
    # a card that is both returned and set aside, or returned twice, shows as a count too small
    simple = len(places) + gone == len(tray) and np.array_equal(tray.cards[places], out.cards)
    return places if simple else False


def _in_order(stage: str, origin: str, places: NDArray[np.intp], out: Tray) -> NDArray[np.intp]:
    """Return the places, once it is sure that the cards which came in kept their order."""
    old = np.flatnonzero(places >= 0)
    steps = np.flatnonzero(np.diff(places[old]) < 0)
    if steps.size:
        cards = out.cards[old[[steps[0], steps[0] + 1]]].tolist()
        raise AccountError(
            stage, origin, "changed the order of the cards, which only a sort may", cards
        )
    return places


def _places(tray: Tray, out: Tray) -> NDArray[np.intp]:
    """Return the place in the tray of each card that goes on; -1 for an added one."""
    order = np.argsort(tray.cards, kind="stable")
    found = np.searchsorted(tray.cards, out.cards, sorter=order)
    found = np.minimum(found, len(tray) - 1)
    places = order[found] if len(tray) else np.full(len(out), -1)
    return np.where(tray.cards[places] == out.cards, places, -1) if len(tray) else places


def _compare(stage: str, origin: str, before: tuple[Cards, ...], after: tuple[Cards, ...]) -> None:
    had, has = np.sort(np.concatenate(before)), np.sort(np.concatenate(after))
    if np.array_equal(had, has):
        return
    values, counts = np.unique(has, return_counts=True)
    doubled = values[counts > 1]
    for cards, what in (
        (np.setdiff1d(values, had), "brought a card number that did not come in"),
        (np.setdiff1d(had, values), "lost a card"),
        (doubled, "doubled a card"),
    ):
        if cards.size:
            raise AccountError(stage, origin, what, cards.tolist())
    raise AccountError(stage, origin, "received a card twice", had.tolist()[:1])


def digest(tray: Tray) -> int:
    """Return an order-independent digest of card numbers and text, modulo 2**64.

    The sum over all cards of a mixed product; equal before and after a re-order when no card
    was lost, doubled or changed. A check against accidents, not against forgery.
    """
    count, width = tray.text.shape
    if not count:
        return 0
    total = tray.cards.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    whole = width // 8 * 8
    for start in range(0, whole, 8):
        word = np.ndarray((count,), "<u8", tray.text, start, (width,))
        total += (word ^ (word >> np.uint64(29))) * _ODD[start // 8 % len(_ODD)]
    for column in range(whole, width):
        total += tray.text[:, column].astype(np.uint64) * _ODD[column % len(_ODD)]
    total ^= total >> np.uint64(32)
    total *= np.uint64(0xD6E8FEB86659FD93)
    total ^= total >> np.uint64(29)
    return int(np.add.reduce(total))


_ODD = np.array(
    [(0xBF58476D1CE4E5B9 * (2 * i + 1) + 2 * i) & (2**64 - 1) | 1 for i in range(61)],
    np.uint64,
)

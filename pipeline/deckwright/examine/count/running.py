"""How running numbers run on: steps, gaps, step-downs and doubles from card to card."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.matrix import cut
from deckwright.examine.model import SequenceFacts

_EXAMPLES = 8
_STEP_LIMIT = 10_000  # larger steps are gaps, and counted together as steps of this size
MOST_DIGITS = 18


def numbers_of(cells: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the numbers (n) that cells (n, w) say, and bool (n): where they say one.

    Digits, with blanks before them at most.
    """
    values = np.zeros(len(cells), np.int64)
    good = np.ones(len(cells), np.bool_)
    begun = np.zeros(len(cells), np.bool_)
    for column in np.ascontiguousarray(cells.T):
        digit = column - np.uint8(48)
        is_digit = digit < 10  # noqa: PLR2004
        good &= is_digit | ((column == 32) & ~begun)  # noqa: PLR2004 # blank
        begun |= is_digit
        values *= 10
        values += np.where(is_digit, digit, 0)
    good &= begun
    return values, good


@dataclass(slots=True)
class _Event:
    count: int = 0
    cards: list[int] = field(default_factory=list)

    def add(self, cards: NDArray[np.int64]) -> None:
        self.count += len(cards)
        self.cards += cards[: _EXAMPLES - len(self.cards)].tolist()

    def merge(self, later: _Event) -> None:
        self.count += later.count
        self.cards += later.cards[: _EXAMPLES - len(self.cards)]


@dataclass(slots=True)
class Running:
    """A field, from 1, followed from card to card.

    steps: int64 (10,001), how often a number was larger than the one before by so much. firsts:
    card and step of the first such cards, enough of them that whichever step turns out to be the
    usual one, the first examples of all others are among them.
    """

    first: int
    last: int
    cards: int = 0
    numbers: int = 0
    start: int | None = None
    end: int = 0
    least: int = 0
    most: int = 0
    steps: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_STEP_LIMIT + 1, np.int64))
    firsts: list[tuple[int, int]] = field(default_factory=list)
    downs: _Event = field(default_factory=_Event)
    doubles: _Event = field(default_factory=_Event)
    unread: _Event = field(default_factory=_Event)
    restarts: set[int] = field(default_factory=set)
    _first_card: int = 0

    def add(self, text: NDArray[np.uint8], cards: NDArray[np.int64]) -> None:
        """Follow the data cards of a tray: text (n, L) and card numbers (n)."""
        values, good = numbers_of(cut(text, self.first, self.last))
        self.cards += len(cards)
        self.unread.add(cards[~good])
        if not good.all():
            values, cards = values[good], cards[good]
        self._follow(values, cards)

    def _follow(self, values: NDArray[np.int64], cards: NDArray[np.int64]) -> None:
        if not len(values):
            return
        if self.start is None:
            self.start, self._first_card = int(values[0]), int(cards[0])
            self.least = self.most = self.start
        else:
            values = np.concatenate([[self.end], values])
            cards = np.concatenate([[0], cards])
        self.numbers += len(values) - (self.numbers > 0)
        self.least, self.most = (
            min(self.least, int(values.min())),
            max(self.most, int(values.max())),
        )
        self._count_steps(np.diff(values), values[1:], cards[1:])
        self.end = int(values[-1])

    def _count_steps(
        self, steps: NDArray[np.int64], values: NDArray[np.int64], cards: NDArray[np.int64]
    ) -> None:
        self.doubles.add(cards[steps == 0])
        down = steps < 0
        self.downs.add(cards[down])
        if len(self.restarts) <= _EXAMPLES:
            self.restarts.update(np.unique(values[down])[: _EXAMPLES + 1].tolist())
        up = steps > 0
        larger = np.minimum(steps[up], _STEP_LIMIT)
        self.steps += np.bincount(larger, minlength=_STEP_LIMIT + 1)
        self._note(larger, cards[up])

    def _note(self, steps: NDArray[np.int64], cards: NDArray[np.int64]) -> None:
        """Keep the first cards, few of each step, until there are enough without any one step."""
        while len(self.firsts) < 2 * _EXAMPLES:
            kept = Counter(step for _, step in self.firsts)
            often = [step for step, count in kept.items() if count >= _EXAMPLES]
            fresh = np.flatnonzero(~np.isin(steps, often))
            if not fresh.size:
                return
            at = int(fresh[0])
            self.firsts.append((int(cards[at]), int(steps[at])))
            steps, cards = steps[at + 1 :], cards[at + 1 :]

    def merge(self, later: Running) -> None:
        """Add what was followed further on in the deck."""
        self.cards += later.cards
        self.unread.merge(later.unread)
        if later.start is None:
            return
        joint = np.array([later.start]), np.array([later._first_card])  # its own class
        self._follow(*joint)
        self.numbers += later.numbers - 1
        self.least, self.most = min(self.least, later.least), max(self.most, later.most)
        self.downs.merge(later.downs)
        self.doubles.merge(later.doubles)
        self.steps += later.steps
        cards, steps = np.array(later.firsts, np.int64).reshape(-1, 2).T
        self._note(steps, cards)
        self.restarts |= later.restarts
        self.end = later.end

    def facts(self) -> SequenceFacts:
        """Return what was found; the usual step is the most frequent one, of two the smaller."""
        step = int(self.steps[:_STEP_LIMIT].argmax())  # 0 where there is none
        follow = int(self.steps[step])
        return SequenceFacts(
            first=self.first,
            last=self.last,
            start=self.start or 0,
            end=self.end,
            step=step,
            cards=self.cards,
            numbers=self.numbers,
            follow=follow,
            gaps=int(self.steps.sum()) - follow,
            step_downs=self.downs.count,
            doubles=self.doubles.count,
            unread=self.unread.count,
            restarts=self.downs.count > 0 and len(self.restarts) == 1,
            gap_cards=[card for card, of in self.firsts if of != step][:_EXAMPLES],
            step_down_cards=self.downs.cards,
            double_cards=self.doubles.cards,
            unread_cards=self.unread.cards,
        )

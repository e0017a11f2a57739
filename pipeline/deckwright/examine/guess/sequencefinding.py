"""Finding running numbers: columns that change from card to card as a counter's wheels do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.count.running import numbers_of
from deckwright.examine.count.sampling import Sample
from deckwright.examine.guess.columns import ZERO, Look
from deckwright.wording import percent

Span = tuple[int, int]

_MOSTLY_DIGITS = 0.97
_STEADY = 0.7  # of the pairs of cards, that the units must step by one and the same
_ROLLS = 0.05  # of the pairs, on which a wheel may turn without the one beside it
_WIDEST = 10
_FEWEST = 30
_ORDERLY = 0.6
_MOST_DOWNS = 0.1  # of the pairs: what begins again oftener is a number within a set
_UNIQUE = 0.98
_DENSE = 0.85
_NARROWEST_SHUFFLED, _WIDEST_SHUFFLED = 3, 9


def find_sequences(look: Look) -> list[Span]:
    """Return fields (columns from 1) that run on from card to card, the widest first."""
    if look.count < _FEWEST:
        return []
    found: list[Span] = []
    right = look.width - 1
    while right >= 0:
        span = _ending_at(look, right)
        if span is not None:
            found.append((span[0] + 1, span[1] + 1))
            right = span[0]
        right -= 1
    return sorted(found, key=lambda one: one[0] - one[1])


def find_shuffled(look: Look) -> Span | None:
    """Return a field (columns from 1) whose sorted numbers run on, where their order is lost.

    Only for samples that are a whole deck.
    """
    if look.count < _FEWEST:
        return None
    for last in range(look.width - 1, -1, -1):
        if not _is_digits(look, last):
            continue
        widths = range(_WIDEST_SHUFFLED, _NARROWEST_SHUFFLED - 1, -1)
        for width in widths:
            first = last - width + 1
            if first < 0 or not all(_is_digits(look, c) for c in range(first, last + 1)):
                continue
            if _runs_on_when_sorted(look, first, last):
                while first > 0 and _is_zero(look, first - 1) and last - first + 1 < _WIDEST:
                    first -= 1
                return first + 1, last + 1
    return None


def counting_said(sample: Sample, column: int) -> str:
    """Return that a column (from 0) counts the cards of a set and begins again; '' where not."""
    digit = sample.text[:, column].astype(np.int64) - ZERO
    pairs = np.diff(sample.cards) == 1
    good = (digit >= 0) & (digit < 10)  # noqa: PLR2004
    pair = pairs & good[1:] & good[:-1]
    if pair.sum() < max(_FEWEST, _MOSTLY_DIGITS * pairs.sum()):
        return ""
    up = (digit[1:] == digit[:-1] + 1) & pair
    least = int(digit[1:][pair].min())
    again = (digit[1:] == least) & (digit[:-1] > least) & pair
    share = float((up | again).sum() / pair.sum())
    if share < _STEADY or not up.any() or not again.any():
        return ""
    return (
        f"; from card to card it counts up or begins again with {least}, on {percent(share)} of "
        "the cards, as the number of a card within a set does"
    )


def _is_digits(look: Look, column: int) -> bool:
    return bool(look.digit[column] >= _MOSTLY_DIGITS and look.blank[column] < _ROLLS)


def _is_zero(look: Look, column: int) -> bool:
    value, share = look.top(column)
    return value == ZERO and share >= _MOSTLY_DIGITS and look.blank[column] < _ROLLS


def _ending_at(look: Look, right: int) -> Span | None:
    """Return the counter (from 0) whose last column that turns with every card is `right`."""
    if not _is_digits(look, right) or not _is_units(look, right):
        return None
    first = right
    while first > 0 and right - first + 1 < _WIDEST and _turns_with(look, first - 1, right):
        first -= 1
    last = right
    while last + 1 < look.width and last - right < 2 and _is_zero(look, last + 1):  # noqa: PLR2004
        last += 1
    return (first, last) if _runs_on(look, first, last) else None


def _pairs(look: Look, column: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the digits (k) of a column on cards and on the cards that follow them."""
    digits = look.columns[column].astype(np.int64) - ZERO
    good = (digits >= 0) & (digits < 10)  # noqa: PLR2004
    both = look.follows & good[1:] & good[:-1]
    return digits[:-1][both], digits[1:][both]


def _is_units(look: Look, column: int) -> bool:
    before, after = _pairs(look, column)
    if len(before) < _FEWEST:
        return False
    steps = np.bincount((after - before) % 10, minlength=10)
    return bool(steps[1:].max() >= _STEADY * len(before))


def _turns_with(look: Look, column: int, last: int) -> bool:
    """Return whether a column is a wheel of the counter that begins behind it.

    It turns hardly but where the number behind it goes down, and with it fewer numbers go down; or
    it is always zero.
    """
    if not _counts(look, column):
        return False
    if _is_zero(look, column):
        return True
    digit = look.columns[column].astype(np.int64) - ZERO
    digit[digit < 0] = 0  # a leading blank counts as zero
    turned = digit[1:] != digit[:-1]
    steps = np.diff(numbers_of(look.text[:, column + 1 : last + 1])[0])
    pair = look.follows
    if (turned & (steps >= 0) & pair).sum() > _ROLLS * max(1, pair.sum()):
        return False
    wider = np.diff(numbers_of(look.text[:, column : last + 1])[0])
    # the first wheels turn too seldom to be seen but from stretch to stretch of the sample
    seen = pair if (steps[pair] < 0).any() else ~pair
    return int((wider[seen] < 0).sum()) < int((steps[seen] < 0).sum())


def _counts(look: Look, column: int) -> bool:
    return bool(look.digit[column] >= _MOSTLY_DIGITS)


def _runs_on(look: Look, first: int, last: int) -> bool:
    values, good = numbers_of(look.text[:, first : last + 1])
    pair = look.follows & good[1:] & good[:-1]
    steps = np.diff(values)[pair]
    if len(steps) < _FEWEST:
        return False
    known, counts = np.unique(steps, return_counts=True)
    usual = int(known[counts.argmax()])
    downs = int((steps < 0).sum())
    orderly = counts.max() >= _ORDERLY * len(steps) and downs <= _MOST_DOWNS * len(steps)
    return usual > 0 and bool(orderly)


def _runs_on_when_sorted(look: Look, first: int, last: int) -> bool:
    values, good = numbers_of(look.text[:, first : last + 1])
    if good.mean() < _UNIQUE:
        return False
    known = np.unique(values[good])
    if len(known) < _UNIQUE * good.sum() or len(known) < _FEWEST:
        return False
    steps, counts = np.unique(np.diff(known), return_counts=True)
    return bool(counts.max() >= _DENSE * counts.sum() and steps[counts.argmax()] > 0)

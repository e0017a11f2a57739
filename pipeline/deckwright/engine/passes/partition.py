"""Cutting the cards of a deck into ranges of the sort key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.engine.planning.sortkeys import Words, order_of

Routes = NDArray[np.uint16]
MOST_RANGES = 65_000


@dataclass(frozen=True, slots=True)
class Cuts:
    """Where the ranges begin. words: uint64 (words, k) lowest keys of ranges 1..k.

    With `by_card` the last word is the card number, so that equal keys may be parted.
    """

    words: Words
    by_card: bool = False

    @property
    def ranges(self) -> int:
        """Return the number of ranges."""
        return int(self.words.shape[1]) + 1

    def route(self, words: Words, cards: NDArray[np.int64]) -> Routes:
        """Return the range (n) that each key belongs to."""
        if self.ranges == 1:
            return np.zeros(words.shape[1], np.uint16)
        if self.by_card:
            words = np.vstack([words, cards.astype(np.uint64)[None, :]])
        if len(words) == 1:
            found = np.searchsorted(self.words[0], words[0], side="right")
        else:
            found = np.searchsorted(_bytes(self.words), _bytes(words), side="right")
        return np.asarray(found.astype(np.uint16))


def cuts_of(words: Words, cards: NDArray[np.int64], ranges: int, *, part_equal: bool) -> Cuts:
    """Return the cuts that part a sample of keys into ranges of about equal size.

    Args:
        words: uint64 (words, n) keys of the sample.
        cards: int64 (n) their card numbers.
        ranges: how many ranges are wanted.
        part_equal: whether cards of one key may lie in several ranges.
    """
    ranges = min(ranges, MOST_RANGES)
    count = words.shape[1]
    if ranges < 2 or count < 2:  # noqa: PLR2004 # one range takes all
        return Cuts(np.zeros((len(words), 0), np.uint64))
    with_card = np.vstack([words, cards.astype(np.uint64)[None, :]])
    ordered = with_card[:, order_of(with_card)]
    picks = ordered[:, (np.arange(1, ranges) * count) // ranges]
    distinct = np.unique(picks[:-1], axis=1)
    if distinct.shape[1] == picks.shape[1]:
        return Cuts(np.ascontiguousarray(picks[:-1]))
    if part_equal:
        return Cuts(np.unique(picks, axis=1), by_card=True)
    return Cuts(np.ascontiguousarray(distinct))


def _bytes(words: Words) -> NDArray[np.bytes_]:
    """Return the words of each card as one byte string that compares as they do."""
    count = words.shape[1]
    big = np.ascontiguousarray(words.T).astype(">u8")
    # a leading byte keeps trailing zero bytes from being cut differently: all have one length
    return big.view(f"S{8 * len(words)}").reshape(count)


def group_by_route(routes: Routes, ranges: int) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Return the places (n) ordered by range, arrival order within, and the counts (ranges)."""
    if ranges == 1:
        return np.arange(len(routes)), np.array([len(routes)], np.int64)
    order = np.argsort(routes, kind="stable")  # a radix sort for 16-bit keys
    return order, np.bincount(routes, minlength=ranges).astype(np.int64)

"""Random numbers that are the same on every machine and under every version."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import TypeVar

ItemT = TypeVar("ItemT")


class Dice:
    """Draws built on `random.Random.random()` alone.

    That method is the one whose sequence Python promises to keep for a seed; shuffles and samples
    may change between versions, so they are built here from it. Only additions and products of
    floats follow, which IEEE 754 rounds alike everywhere; no logarithm, no power.
    """

    def __init__(self, seed: int, stream: int = 0) -> None:
        """Start a stream of its own for each (seed, stream); both count from 0, stream < 1000."""
        self._random = random.Random(seed * 1000 + stream)  # noqa: S311 # demo data, no secret

    def unit(self) -> float:
        """Return a number from 0 up to, not including, 1."""
        return self._random.random()

    def below(self, limit: int) -> int:
        """Return a whole number from 0 to limit - 1."""
        return int(self._random.random() * limit)

    def chance(self, share: float) -> bool:
        """Return true in this share of draws."""
        return self._random.random() < share

    def one_of(self, items: Sequence[ItemT]) -> ItemT:
        """Return one of the items."""
        return items[self.below(len(items))]

    def shuffled(self, items: Sequence[ItemT]) -> list[ItemT]:
        """Return the items in a drawn order (Fisher and Yates)."""
        mixed = list(items)
        for last in range(len(mixed) - 1, 0, -1):
            place = self.below(last + 1)
            mixed[last], mixed[place] = mixed[place], mixed[last]
        return mixed

    def sample(self, items: Sequence[ItemT], count: int) -> list[ItemT]:
        """Return `count` different items."""
        return self.shuffled(items)[:count]

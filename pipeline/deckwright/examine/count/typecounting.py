"""Counting the cards of each type over a whole deck."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(slots=True, eq=False)
class TypeCount:
    """Cards by what stands in columns first to last (from 0).

    values: the texts that are told apart, internal bytes. counts: int64, by the sum of what each
    column holds, see `tables`.
    """

    first: int
    last: int
    values: Sequence[bytes]
    tables: NDArray[np.int64] = field(init=False)
    counts: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        base = max((len({value[k] for value in self.values}) for k in self._places), default=0) + 1
        self.tables = np.zeros((len(self._places), 256), np.int64)
        for place in self._places:
            signs = sorted({value[place] for value in self.values})
            # 0 is any other sign
            self.tables[place, signs] = np.arange(1, len(signs) + 1) * base**place
        self.counts = np.zeros(base ** len(self._places), np.int64)

    @property
    def _places(self) -> range:
        return range(self.last - self.first + 1)

    def add(self, text: NDArray[np.uint8]) -> None:
        """Count data cards, text (n, L)."""
        keys = np.zeros(len(text), np.int64)
        for place in self._places:
            keys += self.tables[place][text[:, self.first + place]]
        self.counts += np.bincount(keys, minlength=len(self.counts))

    def merge(self, later: TypeCount) -> None:
        """Add what was counted further on in the deck."""
        self.counts += later.counts

    def cards(self, values: Sequence[bytes]) -> int:
        """Return how many cards hold one of some values."""
        return sum(
            int(self.counts[sum(int(self.tables[k, sign]) for k, sign in enumerate(value))])
            for value in values
        )

"""The cards of one type in columns, with the figures that guesses are made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.count.sampling import Sample
from deckwright.examine.model import DIGIT as DIGIT_CLASS
from deckwright.examine.model import ILLEGAL, LETTER

BLANK = 32
ZERO = 48

_BYTES = 256


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Cards of one type. All arrays over columns count from 0.

    text: uint8 (n, L). columns: uint8 (L, n), the same. values: int64 (L, 256). follows: bool
    (n - 1), true where the next card of the sample is the next one of the deck's data cards.
    blank: share of the cards; digit, letter: shares of the filled cells. strange: share of cards
    with holes that are no character. kinds: uint8 (256), class of each internal byte. whole:
    whether these are all cards of the type that the deck has.
    """

    text: NDArray[np.uint8]
    columns: NDArray[np.uint8]
    cards: NDArray[np.int64]
    values: NDArray[np.int64]
    follows: NDArray[np.bool_]
    blank: NDArray[np.float64]
    digit: NDArray[np.float64]
    letter: NDArray[np.float64]
    strange: NDArray[np.float64]
    kinds: NDArray[np.uint8]
    whole: bool

    @property
    def count(self) -> int:
        """Number of cards."""
        return len(self.text)

    @property
    def width(self) -> int:
        """Number of columns."""
        return int(self.text.shape[1])

    def filled(self, column: int) -> NDArray[np.int64]:
        """Return int64 (256), the counts of a column without its blanks."""
        counts: NDArray[np.int64] = self.values[column].copy()
        counts[BLANK] = 0
        return counts

    def top(self, column: int) -> tuple[int, float]:
        """Return the most frequent byte of a column, blanks aside, and its share of the filled."""
        counts = self.filled(column)
        most = int(counts.argmax())
        return most, float(counts[most] / max(1, counts.sum()))

    def distinct(self, column: int, least: float = 0.001) -> int:
        """Return how many values stand in a column, rare ones left out."""
        counts = self.filled(column)
        return int((counts > least * max(1, counts.sum())).sum())


def look_at(sample: Sample, kinds: NDArray[np.uint8]) -> Look:
    """Return the figures of some cards; kinds: uint8 (256), class of each internal byte."""
    text = np.ascontiguousarray(sample.text)
    columns = np.ascontiguousarray(text.T)
    values = np.stack([np.bincount(column, minlength=_BYTES) for column in columns])
    count = max(1, len(text))
    filled = values.copy()
    filled[:, BLANK] = 0
    sums = np.maximum(1, filled.sum(axis=1))
    strange = filled[:, kinds == ILLEGAL].sum(axis=1) / count
    if sample.holes is not None:
        strange = np.maximum(strange, _strange(text, sample.holes))
    blank = values[:, BLANK] / count
    if sample.holes is not None:
        blank = (sample.holes == 0).sum(axis=0) / count
    digit = filled[:, kinds == DIGIT_CLASS].sum(axis=1) / sums
    return Look(
        text=text,
        columns=columns,
        cards=sample.cards,
        values=values,
        follows=np.diff(sample.cards) <= _NEAR,
        blank=blank,
        digit=digit,
        letter=filled[:, kinds == LETTER].sum(axis=1) / sums,
        strange=strange,
        kinds=kinds,
        whole=sample.whole,
    )


_NEAR = 4  # cards of other kinds that may stand between


def _strange(text: NDArray[np.uint8], holes: NDArray[np.uint16]) -> NDArray[np.float64]:
    no_character = text == 0x1A  # noqa: PLR2004 # the internal byte of such holes
    shares: NDArray[np.float64] = no_character.sum(axis=0) / max(1, len(holes))
    return shares

"""How sure the code of a deck is, as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CodePair:
    """Cells that two codes read differently. punched: a byte or holes.

    read, other: as the code in use and as the next one reads it, "" for no character. columns: in
    words. cards: which the first ones are: a number, or `3 of DECK` where there are several decks.
    """

    punched: str
    read: str
    other: str
    cells: int
    columns: str
    cards: Sequence[str]


@dataclass(frozen=True, slots=True)
class CodeReading:
    """How sure the code of a deck is.

    score, next_score: 0 to 1. alike: codes that read the cards alike. next: the best code that
    reads some cell differently, "" where none is near. sure: False where a person should look.
    worse: the next one reads the cards clearly better. looked_at: cards that were looked at, from
    the first on. cells, cards: how many read differently under the next code. parts: columns that
    stand in codes of their own, in words.
    """

    code: str
    score: float
    sentence: str
    looked_at: int
    all_cards: bool
    alike: Sequence[str] = ()
    next: str = ""
    next_score: float = 0.0
    sure: bool = True
    worse: bool = False
    cells: int = 0
    cards: int = 0
    pairs: Sequence[CodePair] = ()
    parts: Sequence[str] = ()

    @property
    def margin(self) -> float:
        """How far the code in use is before the next one; below zero where it is behind."""
        return self.score - self.next_score

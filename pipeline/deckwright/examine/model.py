"""What an examination finds, as plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable
from deckwright.examine.strengths import Strength
from deckwright.identify.ranking import Candidate, Ranking
from deckwright.report.model import Mark

CLASSES = ("blank", "digit", "letter", "special", "multi-punch", "illegal")
"""What can stand in a column; see `classes`."""

BLANK, DIGIT, LETTER, SPECIAL, MULTI, ILLEGAL = range(len(CLASSES))


@dataclass(frozen=True, slots=True)
class DeckFacts:
    """A deck as a file. first_card: number of its first card when decks are stacked."""

    name: str
    bytes: int
    cards: int
    first_card: int


@dataclass(frozen=True, slots=True)
class Reading:
    """How the deck is read, and what speaks for it.

    media: None where a person named the medium. codes: None where a person named the code. sure:
    False where a person must choose. differs: cells that the runner-up reads differently, by column
    (from 1); examples: what stands there, as read, as the runner-up reads it, how often.
    """

    options: Mapping[str, object]
    media: Ranking | None
    codes: Ranking | None
    sure: bool
    question: str
    runner_up: str = ""
    differs: Mapping[int, int] = field(default_factory=dict)
    examples: Sequence[tuple[str, str, str, int]] = ()

    @property
    def candidates(self) -> Sequence[Candidate]:
        """Media that were ranked, the best first."""
        return self.media.candidates if self.media else ()


@dataclass(frozen=True, slots=True)
class Odd:
    """A kind of odd card: how many, what it is, numbers of the first ones."""

    reason: str
    sentence: str
    count: int
    cards: Sequence[int]


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """What the columns hold of the data cards.

    classes: int64 (L, 6), cells by CLASSES. distinct: int (L), different values. top: the most
    frequent value of each column as text, with how often it stands there.
    """

    cards: int
    classes: NDArray[np.int64]
    distinct: NDArray[np.int64]
    top: Sequence[tuple[str, int]]

    def shares(self) -> NDArray[np.float64]:
        """Return float (L, 6): shares of the cards; all blank where there are none."""
        shares: NDArray[np.float64] = self.classes / max(1, self.cards)
        if not self.cards:
            shares[:, BLANK] = 1
        return shares


@dataclass(frozen=True, slots=True)
class SequenceFacts:
    """A field of running numbers, over every data card.

    shuffled: the numbers run on, but the cards do not lie in their order; then gaps, step-downs
    and doubles are those of the sorted numbers. sections: columns (from 1) with whose change the
    numbers begin anew, again: how often they do; these are no step-downs, gaps or doubles. The
    examples are card numbers, at most a few.
    """

    first: int
    last: int
    start: int
    end: int
    step: int
    cards: int
    numbers: int
    follow: int
    gaps: int
    step_downs: int
    doubles: int
    unread: int
    shuffled: bool = False
    restarts: bool = False
    sections: Sequence[int] = ()
    again: int = 0
    gap_cards: Sequence[int] = ()
    step_down_cards: Sequence[int] = ()
    double_cards: Sequence[int] = ()
    unread_cards: Sequence[int] = ()


@dataclass(frozen=True, slots=True)
class Guess:
    """A guessed field of one card type.

    columns count from 1. what: the type in words. share: of the cards that bear it out. chance:
    share that would bear it out anyway. failing: share of the cards that the field, as it would
    stand in a layout, finds fault with. options: its table in a layout; empty for unused columns.
    other: further readings that fit, with their shares. sure: how likely a field begins and ends
    just there, 0 to 1.
    """

    first: int
    last: int
    what: str
    strength: Strength
    share: float
    chance: float
    sentence: str
    reasons: Sequence[str] = ()
    options: Mapping[str, object] = field(default_factory=dict)
    failing: float = 0.0
    other: Sequence[tuple[str, float]] = ()
    sure: float = 0.0

    @property
    def width(self) -> int:
        """Number of columns."""
        return self.last - self.first + 1

    @property
    def columns(self) -> str:
        """The columns as a layout writes them."""
        return str(self.first) if self.first == self.last else f"{self.first}-{self.last}"


@dataclass(frozen=True, slots=True)
class TypeFacts:
    """A card type: the values that tell it (empty: every other), cards in the deck, its fields."""

    name: str
    values: Sequence[str]
    cards: int
    guesses: Sequence[Guess]


@dataclass(frozen=True, slots=True)
class Types:
    """The columns (from 1) that divide the deck, column 0 where none does, and why."""

    column: int
    sentence: str
    types: Sequence[TypeFacts]
    strength: Strength = "possible"
    last: int = 0

    @property
    def columns(self) -> str:
        """The columns as a layout writes them."""
        return f"{self.column}-{self.last}" if self.last > self.column else str(self.column)


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """How pictures of cards came out, of the few that were looked at.

    kinds: picture files by kind. good: cards read without doubt. ppi: least and most pixels an inch
    by the cards' length. turns: how cards lie, turn_unknown: cards whose corner does not tell.
    what: card, blank, banner, not a card. damages: what is wrong. columns: those of cards that
    could be read, unsure: of these, columns that a person must look at.
    """

    kinds: Mapping[str, int]
    looked_at: int
    good: int
    sizes: str
    ppi: tuple[float, float]
    turns: Mapping[str, int]
    turn_unknown: int
    what: Mapping[str, int]
    damages: Mapping[str, int]
    columns: int
    unsure: int


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCard:
    """A card to be drawn. patterns: uint16 (80), or None; text: one character a column."""

    card: int
    why: str
    text: str
    patterns: NDArray[np.uint16] | None
    marks: Sequence[Mark] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """All that was found out about a deck. looked_at: cards of the sample behind the guesses.

    own_codes: code files that are not packaged and were used, by name. warnings: what is wrong with
    decks that were looked at all the same.
    """

    decks: Sequence[DeckFacts]
    reading: Reading
    code: CodeTable | None = None
    width: int = 0
    cards: int = 0
    data_cards: int = 0
    looked_at: int = 0
    lengths: Mapping[int, int] = field(default_factory=dict)
    odd: Sequence[Odd] = ()
    columns: Columns | None = None
    types: Types = Types(0, "", ())  # it is frozen
    sequences: Sequence[SequenceFacts] = ()
    drawn: Sequence[DrawnCard] = ()
    pictures: PictureFacts | None = None
    own_codes: Mapping[str, bytes] = field(default_factory=dict)
    warnings: Sequence[str] = ()

    @property
    def counted(self) -> bool:
        """Whether the deck was read, and not only looked at for what it is."""
        return self.columns is not None

    @property
    def unranked(self) -> str:
        """Why no media were ranked."""
        if self.pictures is not None:
            return "Its files are pictures; no other medium was ranked."
        return "The medium was named by a person; nothing was ranked."

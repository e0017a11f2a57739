"""What the control sheet shows, as plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deckwright.report.codereading import CodeReading

Mark = tuple[int, int, str]
"""First and last column at fault, from 1, and a sentence; (0, 0, ...) speaks of the whole card."""

FieldSpan = tuple[int, int, str]
"""First and last column of a field, from 1, and its name."""

SORT_PROOF = ("digest_before", "digest_after")
"""Facts of a sort that the sheet shows as its proof."""

ADDED_FROM = 2**40
"""Numbers of the run from here on are those of cards that a stage added."""

MERGE_OUTCOMES = ("matched", "without_master", "masters", "masters_without_card")
"""Facts of a merge that the sheet shows as its four outcomes."""


def card_name(card: int, deck: str = "", place: int = 0) -> str:
    """Return by which name a card is found in the box.

    Args:
        card: its number in the run, from 1.
        deck: its deck, where the run has more than one.
        place: its number there, from 1.
    """
    if card >= ADDED_FROM:
        return "Card that a stage added"
    return f"Card {place:,} of {deck}" if deck else f"Card {card:,}"


def run_number(card: int, deck: str = "") -> str:
    """Return the number of a card in the run where that is not the one in its name, else ""."""
    return f"card {card:,} of the run" if deck or card >= ADDED_FROM else ""


@dataclass(frozen=True, slots=True)
class DeckLine:
    """A deck that was read. sha256: 64 hexadecimal digits."""

    name: str
    cards: int
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class NamedDeckLine:
    """What became of the cards of a named deck: arrived = left + returned + set aside."""

    name: str
    arrived: int
    left: int
    returned: int
    set_aside: int


@dataclass(frozen=True, slots=True)
class StageLine:
    """The account of one stage: arrived + added = left + returned + set aside.

    queries counts entries about cards that went on. facts: what the stage says of itself; those
    named in SORT_PROOF and MERGE_OUTCOMES have a place of their own, the others are listed.
    """

    number: int
    kind: str
    title: str
    arrived: int
    added: int
    left: int
    returned: int
    set_aside: int
    queries: int = 0
    facts: Mapping[str, str | int] = field(default_factory=dict)

    @property
    def balances(self) -> bool:
        """Return whether the equation holds."""
        return self.arrived + self.added == self.left + self.returned + self.set_aside


@dataclass(frozen=True, slots=True)
class ReasonLine:
    """How often one reason was entered. stage: its number; severity: fatal, query or note."""

    stage: int
    reason: str
    field: str
    severity: str
    count: int
    sentence: str


@dataclass(frozen=True, slots=True)
class OutputLine:
    """A delivered file."""

    file: str
    form: str
    rows: int
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class TableLine:
    """A table that a stage keeps, for the sheet: its first rows. numbers: places of number columns.

    total: rows that it has in all.
    """

    title: str
    file: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: Sequence[int]
    total: int


@dataclass(frozen=True, slots=True)
class RunFaultLine:
    """A fault of the run as a whole, which no card has. severity: query or note."""

    stage: int
    reason: str
    severity: str
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class CardLine:
    """A card to be drawn. patterns: uint16 (80), None where there are no holes to draw.

    card: its number in the run, from 1. text: what is printed, one character a column. deck, place:
    name of its deck and its number there, from 1, where the run has more than one; 0 for a card
    that a stage added. fields: those of its layout. notes: sentences about it that no column is
    marked for. asked: numbers (from 1) of the marks that are questions. picture: the card itself,
    small, as PNG or JPEG, where it was read from one and is not read as a whole. original: name of
    the file that it came in, where it has one of its own.
    """

    card: int
    patterns: NDArray[np.uint16] | None
    text: str
    marks: Sequence[Mark] = ()
    deck: str = ""
    place: int = 0
    fields: Sequence[FieldSpan] = ()
    notes: Sequence[str] = ()
    asked: frozenset[int] = frozenset()
    picture: bytes = b""
    original: str = ""

    @property
    def beside(self) -> str:
        """What stands beside its name: its number in the run where that is another, its file."""
        return ", ".join(filter(None, [run_number(self.card, self.deck), self.original]))

    @property
    def name(self) -> str:
        """By which it is found in the box, see `card_name`."""
        return card_name(self.card, self.deck, self.place)

    @property
    def full_name(self) -> str:
        """Its name, and beside it its number in the run."""
        number = run_number(self.card, self.deck)
        return f"{self.name} ({number})" if number else self.name


@dataclass(frozen=True, slots=True)
class AsideLine:
    """Cards that are no data and were left out for one reason. cards: which, in words."""

    stage: int
    reason: str
    count: int
    cards: str


@dataclass(frozen=True, slots=True)
class FileLine:
    """A file of the run folder. path: from that folder on, with slashes; holds: in words."""

    path: str
    holds: str


@dataclass(frozen=True, slots=True, eq=False)
class FaultPlaces:
    """Where faults gather.

    columns: int64 (w), returned cards with a fault in each column. order: int64 (b), returned
    cards of each stretch of the run; sizes: int64 (b), cards of each stretch; firsts: int64 (b),
    the first returned card of each, anything where there is none. decks: name and number of the
    first card of each.
    """

    columns: NDArray[np.int64]
    order: NDArray[np.int64]
    sizes: NDArray[np.int64]
    firsts: NDArray[np.int64]
    decks: Sequence[tuple[str, int]] = ()


@dataclass(frozen=True, slots=True)
class ReturnedGroup:
    """Returned cards whose first reason is one and the same.

    cards: those that are drawn. numbers: which they all are, in words; listed: how many of them
    are named there.
    """

    stage: int
    reason: str
    field: str
    sentence: str
    count: int
    cards: Sequence[CardLine] = ()
    numbers: str = ""
    listed: int = 0


@dataclass(frozen=True, slots=True)
class ControlData:
    """All that the control sheet of one run shows. No times, so that it is the same every run.

    returned_cards: some, to be drawn. returned_page: file name of the page of all returned cards,
    where there is one.
    """

    title: str
    decks: Sequence[DeckLine]
    stages: Sequence[StageLine]
    equation_holds: bool
    reasons: Sequence[ReasonLine] = ()
    outputs: Sequence[OutputLine] = ()
    returned_cards: Sequence[CardLine] = ()
    totals: Sequence[tuple[str, str | int]] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    returned_page: str = ""
    code: CodeReading | None = None
    aside: Sequence[AsideLine] = ()
    files: Sequence[FileLine] = ()
    places: FaultPlaces | None = None
    tables: Sequence[TableLine] = ()
    run_faults: Sequence[RunFaultLine] = ()
    named_decks: Sequence[NamedDeckLine] = ()

    @property
    def arrived(self) -> int:
        """Cards that came in."""
        return self.stages[0].arrived if self.stages else 0

    @property
    def added(self) -> int:
        """Cards that stages added."""
        return sum(stage.added for stage in self.stages)

    @property
    def delivered(self) -> int:
        """Cards that came through the whole chain."""
        return self.stages[-1].left if self.stages else 0

    @property
    def returned(self) -> int:
        """Cards that came back."""
        return sum(stage.returned for stage in self.stages)

    @property
    def left_out(self) -> int:
        """Cards that were set aside."""
        return sum(stage.set_aside for stage in self.stages)

    @property
    def balances(self) -> bool:
        """Whether every card is accounted for."""
        whole = self.arrived + self.added == self.delivered + self.returned + self.left_out
        return self.equation_holds and whole and all(stage.balances for stage in self.stages)

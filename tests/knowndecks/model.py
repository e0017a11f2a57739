"""What a deck with a known layout is made of: items on the way there, and the truth at the end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.uint8]
"""Characters of a field on all its cards, shape (cards, columns), as bytes of ASCII."""

Patterns = NDArray[np.uint16]
"""Holes of the same shape: bit 11 is row 12, bit 10 row 11, bit 9 row 0, bit 0 row 9."""

BLANK = 32
WIDTHS = (80,) * 12 + (72, 84, 96, 102)
"""Columns of most decks; some are longer or shorter than a card."""

QUANTITIES = ("whole", "decimal", "point", "exponent")
"""Kinds whose value is a number; of all others the text itself is the value."""


@dataclass(frozen=True, slots=True)
class Form:
    """What a field is, without its place.

    `kind` is one of text, code, whole, decimal (point not punched), point, exponent, date, time,
    identifier, sequence, flag, holes, constant. `form` says which date, time or exponent; of a
    whole number that is a year, month, day, hour or minute it says that. `sign` is none, leading,
    trailing, overpunch-left, overpunch-right, or flag-right: a zone that is a mark and no sign.
    `check` names the scheme of a check digit in the last column.
    """

    kind: str
    form: str = ""
    sign: str = "none"
    fill: str = " "
    justify: str = "right"
    decimals: int = 0
    check: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """A field with its contents, not yet placed on the card."""

    name: str
    form: Form
    cells: Cells
    holes: Patterns | None = None

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.cells.shape[1])


@dataclass(frozen=True, slots=True)
class Run:
    """Items that stay together, with a fixed number of blank columns behind each."""

    items: tuple[Item, ...]
    gaps: tuple[int, ...]

    @property
    def width(self) -> int:
        """Columns, without the gap behind the last item."""
        return sum(item.width for item in self.items) + sum(self.gaps[:-1])

    def within(self, room: int) -> Run:
        """As much of a run as fits: fewer groups where it has several, else all or nothing."""
        if self.width <= room or not self.items:
            return self
        group = sum(item.name.endswith("_01") for item in self.items)
        shorter = self.items[: len(self.items) - group] if group else ()
        return Run(shorter, self.gaps[: len(shorter)]).within(room)


@dataclass(slots=True)
class Draft:
    """What a family of decks makes: contents by type of card, in the order of the cards.

    `which` is the number of the type of each card. The runs of `shared` have a row for every
    card, those of `own[k]` one for every card of type k. `sections` numbers the sections of the
    deck, card by card, for sequences that begin anew.
    """

    cards: int
    shared: list[Run] = field(default_factory=list)
    own: list[list[Run]] = field(default_factory=list)
    labels: Sequence[str] = ()
    names: Sequence[str] = ()
    which: NDArray[np.int64] | None = None
    sections: NDArray[np.int64] | None = None
    widths: Sequence[int] = WIDTHS
    headings: bool = True
    shuffled: bool = True
    tail: bool = True


@dataclass(frozen=True, slots=True)
class Field:
    """A field at its place; columns count from 1, both inclusive."""

    name: str
    first: int
    last: int
    form: Form

    @property
    def columns(self) -> range:
        """Columns, counted from 0, to index a matrix of cards."""
        return range(self.first - 1, self.last)


@dataclass(frozen=True, slots=True)
class CardType:
    """A type of card: its mark (empty where nothing tells it), its fields, its cards from 0.

    `role` is data, or heading, comment, trailer, blank: cards that are none of the data.
    """

    name: str
    mark: str
    fields: tuple[Field, ...]
    cards: NDArray[np.int64]
    role: str = "data"


@dataclass(frozen=True, slots=True)
class Truth:
    """All that is known of a deck.

    `medium` is written as in a job. `type_columns` are the columns of the mark of a type, or none.
    `faulty` are cards, from 0, on which something stands elsewhere than the fields say.
    """

    medium: Mapping[str, object]
    code: str
    record_length: int
    type_columns: tuple[int, int] | None
    types: tuple[CardType, ...]
    faulty: tuple[int, ...]

    @property
    def data_types(self) -> tuple[CardType, ...]:
        """Types that hold data."""
        return tuple(one for one in self.types if one.role == "data")


@dataclass(frozen=True, slots=True)
class Deck:
    """A deck: its bytes, the characters and holes that stand on its cards, and the truth."""

    seed: int
    family: str
    data: bytes
    text: Cells
    holes: Patterns
    truth: Truth

    @property
    def suffix(self) -> str:
        """What the name of its file ends with."""
        return ".txt" if self.truth.medium["kind"] == "text" else ".dat"


def alone(*items: Item) -> list[Run]:
    """Items each for itself."""
    return [Run((item,), (0,)) for item in items]


def together(*items: Item, gap: int = 0) -> Run:
    """Items side by side, `gap` blank columns between them."""
    return Run(items, (gap,) * len(items))


def several(groups: Sequence[Sequence[Item]], inside: int, behind: int) -> Run:
    """A group of fields that stands on the card several times, always in equal steps."""
    items: list[Item] = []
    gaps: list[int] = []
    for number, group in enumerate(groups, start=1):
        for item in group:
            items.append(Item(f"{item.name}_{number:02}", item.form, item.cells, item.holes))
            gaps.append(inside)
        gaps[-1] = behind
    return Run(tuple(items), tuple(gaps))

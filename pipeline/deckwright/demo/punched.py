"""A card of a demo deck while faults are seeded into it, and the deck's hole patterns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import load_code
from deckwright.cards.holes import format_pattern
from deckwright.demo.truth import SeededFault

COLUMNS = 80
CODE = "ebcdic"
"""Card code of the demo decks."""


@dataclass(slots=True, eq=False)
class Card:
    """One card. text: 80 columns; extra: holes punched besides those of the text, by column."""

    station: str
    number: int
    text: str
    extra: dict[int, int] = field(default_factory=dict)

    def at(self, first: int, last: int) -> str:
        """Return what stands in columns first to last, from 1."""
        return self.text[first - 1 : last]

    def put(self, first: int, what: str) -> None:
        """Punch over the columns from `first` on."""
        self.text = self.text[: first - 1] + what + self.text[first - 1 + len(what) :]

    def copy(self) -> Card:
        """Return another card with the same holes."""
        return Card(self.station, self.number, self.text, dict(self.extra))


@dataclass(slots=True)
class Deck:
    """A deck while faults are seeded. Faults name their cards as objects until the deck rests."""

    cards: list[Card]
    faults: list[tuple[SeededFault, list[Card]]] = field(default_factory=list)

    def enter(self, fault: SeededFault, cards: Sequence[Card] = ()) -> None:
        """Note a fault and the cards it lies on."""
        self.faults.append((fault, list(cards)))

    def settled(self) -> tuple[SeededFault, ...]:
        """Return the faults with card numbers as the deck now lies, kinds in order of entry."""
        places = {id(card): number for number, card in enumerate(self.cards, 1)}
        return tuple(
            replace(fault, cards=tuple(sorted(places[id(card)] for card in cards)))
            for fault, cards in self.faults
        )


def patterns(cards: Sequence[Card]) -> NDArray[np.uint16]:
    """Return the hole patterns of cards, uint16 (n, 80)."""
    code = load_code(CODE)
    assert code.to_holes is not None  # noqa: S101 # a packaged hole code
    text = np.frombuffer(code.alphabet.encode("".join(card.text for card in cards)), np.uint8)
    holes = code.to_holes[text].astype(np.uint16).reshape(len(cards), COLUMNS)
    for row, card in enumerate(cards):
        for column, extra in card.extra.items():
            holes[row, column - 1] |= extra
    return holes


def hole_names(card: Card, column: int) -> str:
    """Return the rows punched in a column, such as `2-5`."""
    return format_pattern(int(patterns([card])[0, column - 1]))


def column_binary(holes: NDArray[np.uint16]) -> bytes:
    """Return patterns as two bytes a column: rows 12, 11, 0 to 3, then rows 4 to 9.

    Row 12 and row 4 are worth 32 in their bytes (bit table of a survey data-processing page).
    """
    pairs = np.empty((*holes.shape, 2), np.uint8)
    pairs[..., 0] = holes >> 6
    pairs[..., 1] = holes & 0x3F
    return pairs.tobytes()


def text_lines(cards: Sequence[Card]) -> bytes:
    """Return cards as lines of text for the eye; a column with extra holes shows as `?`."""
    lines = []
    for card in cards:
        shown = card.copy()
        for column in card.extra:
            shown.put(column, "?")
        lines.append(f"{shown.text}\n")
    return "".join(lines).encode("ascii")

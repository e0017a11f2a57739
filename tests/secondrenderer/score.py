"""Compare what was delivered unasked with the truth, card by card."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from .geometry import COLUMNS
from .running import Row
from .truth import CardTruth, Picture

WHOLE = {
    "several-cards",
    "cards-on-picture",
    "not-a-card",
    "too-large",
    "not-a-picture",
    "several-pictures",
}
"""Reasons for which a picture comes back with all that is on it."""
CARD_WIDE = 20
"""Wrong columns from which a card is wrong as a whole."""
BARELY = 0.75
"""Share of hidden places from which nobody need see that a card is there."""


@dataclass(slots=True)
class Tally:
    """Counts over the cards of one grade."""

    cards: int = 0
    delivered: int = 0
    columns: int = 0
    """Columns of the cards that were delivered."""
    wrong_cards: int = 0
    wrong_columns: int = 0
    ways: Counter[str] = field(default_factory=Counter)
    """How cards were wrong."""
    hidden: int = 0
    """Delivered columns of which the picture does not show a part."""
    blanks: int = 0
    """Cards set aside as blank that are blank."""
    asked_cards: int = 0
    """Cards of which some columns are asked."""
    asked_columns: int = 0
    whole_cards: int = 0
    """Cards that came back as a whole."""
    causes: Counter[str] = field(default_factory=Counter)
    missed: int = 0
    barely: int = 0
    """Missed, but hardly to be seen in the picture."""

    def add(self, other: Tally) -> None:
        """Add the counts of another."""
        for name in self.__slots__:
            value = getattr(self, name)
            if isinstance(value, Counter):
                value.update(getattr(other, name))
            else:
                setattr(self, name, value + getattr(other, name))


def way_wrong(told: NDArray[np.bool_], truth: NDArray[np.bool_]) -> tuple[int, str]:
    """Return how many columns are wrong, and as what the card was read."""
    wrong = _differ(told, truth)
    if not wrong:
        return 0, ""
    others = {
        "mirrored": truth[:, ::-1],
        "upside down": truth[::-1, ::-1],
        "upside down and mirrored": truth[::-1],
    }
    name, best = min(
        ((name, _differ(told, other)) for name, other in others.items()), key=lambda pair: pair[1]
    )
    if best < wrong / 4:
        return wrong, name
    return wrong, "as a whole" if wrong >= CARD_WIDE else "some columns"


def _differ(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> int:
    return int((one != other).any(axis=0).sum())


def compare(picture: Picture, rows: list[Row]) -> tuple[Tally, list[str]]:
    """Return the counts for one picture, and a line for all that is wrong or was asked."""
    tally = Tally(cards=len(picture.cards))
    told: list[str] = []
    taken = [
        row
        for row in rows
        if row.fate == "delivered" or (row.fate == "set aside" and row.kind == "blank")
    ]
    pairs, left = _matched(picture.cards, taken)
    for row, card in pairs:
        _one(tally, told, row, card)
    for row in taken[len(pairs) :]:
        tally.ways[f"no card there, {row.fate}"] += 1
        tally.wrong_cards += 1
        told.append(f"{row.fate} where no card is")
    back = [
        row
        for row in rows
        if row.fate == "returned" or (row.fate == "set aside" and row.kind != "blank")
    ]
    for row in back:
        name = "+".join(row.reasons) or f"set aside as {row.kind}"
        if WHOLE & set(row.reasons):
            tally.whole_cards += len(left)
            tally.causes[name] += max(1, len(left))
            left = []
        elif left:
            left = left[1:]
            tally.causes[name] += 1
            partly = 0 < row.asked < COLUMNS
            tally.asked_cards += partly
            tally.asked_columns += row.asked if partly else 0
            tally.whole_cards += not partly
        told.append(f"back: {name}, {row.asked} columns")
    for card in left:
        barely = float(card.hidden.mean()) > BARELY
        tally.barely += barely
        tally.missed += not barely
        told.append("missed, hardly to be seen" if barely else "MISSED")
    return tally, told


def _one(tally: Tally, told: list[str], row: Row, card: CardTruth) -> None:
    holes = np.zeros_like(card.holes) if row.holes is None else row.holes
    wrong, way = way_wrong(holes, card.holes)
    if row.fate == "set aside" and not wrong:
        tally.blanks += 1
        return
    tally.delivered += 1
    tally.columns += COLUMNS
    tally.hidden += int(card.hidden_columns.sum())
    if wrong:
        tally.wrong_cards += 1
        tally.wrong_columns += wrong
        differ = (holes != card.holes).any(axis=0)
        if row.fate == "set aside":
            way = "taken for blank"
        elif not (differ & ~card.hidden_columns).any():
            way = "only what is hidden"
        tally.ways[way] += 1
        columns = np.flatnonzero(differ) + 1
        told.append(
            f"SILENT {way}: {wrong} columns wrong {columns[:12].tolist()}, read as {row.turn};"
            f" the card shows its {card.side}, turned {card.turned:.0f}, cut {card.cut},"
            f" face {card.face}, print {card.interpreted}, mirrored file {card.mirrored},"
            f" {int(card.hidden.sum())} places hidden by {card.hidden_by}"
        )


def _matched(
    cards: tuple[CardTruth, ...], rows: list[Row]
) -> tuple[list[tuple[Row, CardTruth]], list[CardTruth]]:
    """Return which card each row is, so that the fewest columns are wrong, and what is left."""
    number = min(len(cards), len(rows))

    def wrong(chosen: tuple[int, ...]) -> int:
        return sum(
            _differ(
                np.zeros_like(cards[each].holes) if row.holes is None else row.holes,
                cards[each].holes,
            )
            for row, each in zip(rows, chosen, strict=False)
        )

    best = min(permutations(range(len(cards)), number), key=wrong)
    pairs = [(row, cards[each]) for row, each in zip(rows, best, strict=False)]
    return pairs, [card for each, card in enumerate(cards) if each not in best]

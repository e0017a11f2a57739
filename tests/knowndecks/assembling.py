"""From the contents of a deck to its cards: columns, gaps, marks, running numbers, faults."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .amounts import Random, chance, number, one_of, rows
from .codes import make, punched
from .model import BLANK, CardType, Cells, Deck, Draft, Field, Form, Item, Patterns, Run, Truth
from .words import constant, masked

GAPS = ("packed", "spaced", "mixed", "tabs")
HEADINGS = (
    "RETURN OF THE THIRD SURVEY, BOXES 4 TO 9",
    "COPIED FROM THE BOOKS OF THE NORTH OFFICE",
    "COLUMNS AS ON SHEET 7, SECOND PRINTING",
    "PUNCHED TWICE AND COMPARED",
    "* * * * * * * * * *",
)
Index = NDArray[np.int64]


def _gap(rng: Random, style: str, cursor: int) -> int:
    match style:
        case "packed":
            return 0
        case "spaced":
            return 1
        case "mixed":
            return int(rng.choice([0, 0, 1, 2, 4]))
        case _:
            return -(cursor - 1) % 5


class Card:
    """A card on which runs are placed from the left, as far as there is room."""

    def __init__(self, start: int, limit: int) -> None:
        self.cursor = start
        self.limit = limit
        self.placed: list[tuple[int, Item]] = []

    def put(self, rng: Random, units: Sequence[Run], style: str) -> None:
        """Place runs one after another; what does not fit is left out."""
        needed = sum(unit.width for unit in units)
        if self.cursor + needed + 2 * len(units) > self.limit:
            style = "spaced" if self.cursor + needed + len(units) <= self.limit else "packed"
        for whole in units:
            at = self.cursor + (_gap(rng, style, self.cursor) if self.placed else 0)
            unit = whole.within(self.limit - at + 1)
            if not unit.items:
                continue
            for item, behind in zip(unit.items, unit.gaps, strict=True):
                self.placed.append((at, item))
                at += item.width + behind
            self.cursor = at - unit.gaps[-1]

    def fields(self) -> list[Field]:
        """The fields as they were placed."""
        return [Field(item.name, at, at + item.width - 1, item.form) for at, item in self.placed]


class Sheets:
    """Characters and holes of all cards of a deck."""

    def __init__(self, cards: int, width: int) -> None:
        self.text: Cells = np.full((cards, width), BLANK, np.uint8)
        self.own: Patterns = np.zeros((cards, width), np.uint16)

    def write(self, where: Index, at: int, item: Item, which: Index) -> None:
        """Punch the rows `which` of an item into the cards of `where`, from column `at`."""
        self.text[where, at - 1 : at - 1 + item.width] = item.cells[which]
        if item.holes is not None:
            self.own[where, at - 1 : at - 1 + item.width] = item.holes[which]

    def take(self, where: Index) -> None:
        """Keep these cards only, in this order."""
        self.text, self.own = self.text[where], self.own[where]

    def holes(self) -> Patterns:
        """The holes of every column."""
        return punched(self.text) | self.own


def _mixed(rng: Random, units: Sequence[Run], *, shuffled: bool) -> list[Run]:
    if not shuffled or chance(rng, 0.5):
        return list(units)
    return [units[k] for k in rng.permutation(len(units)).tolist()]


def _mark(draft: Draft, which: Index) -> Item | None:
    if not draft.labels:
        return None
    width = len(draft.labels[0])
    return Item("type", Form("code"), rows([draft.labels[k] for k in which.tolist()], width))


def _place(rng: Random, draft: Draft, mark: Item | None, start: int, limit: int) -> list[Card]:
    """The runs of every type at their places; those that all types share lie alike."""
    shared = _mixed(rng, draft.shared, shuffled=draft.shuffled)
    style = one_of(rng, *GAPS)
    front = Card(start, limit)
    at_end = 0
    if mark is not None:
        unit = Run((mark,), (0,))
        where = one_of(rng, "front", "front", "after", "end")
        if where == "end":
            at_end = limit - mark.width + 1
            front.limit = at_end - 1
        else:
            shared.insert(0 if where == "front" else 1, unit)
    front.put(rng, shared, style)
    cards = []
    for number_of_type in range(max(len(draft.names), 1)):
        card = Card(front.cursor, front.limit)
        card.placed = list(front.placed)
        if draft.own:
            own = _mixed(rng, draft.own[number_of_type], shuffled=draft.shuffled)
            card.put(rng, own, one_of(rng, style, *GAPS))
        if at_end and mark is not None:
            card.placed.append((at_end, mark))
        cards.append(card)
    return cards


def _running(rng: Random, sections: Index, width: int, name: str) -> Item:
    """A running number, which begins anew in each section."""
    cards = len(sections)
    begins = np.flatnonzero(np.diff(sections, prepend=sections[0] - 1))
    lengths = np.diff(np.append(begins, cards))
    within = np.arange(cards) - np.repeat(begins, lengths)
    step = 10 if within.max() < 10 ** (width - 1) - 2 and chance(rng, 0.3) else 1
    start = step if chance(rng, 0.85) else step * int(rng.integers(2, 9))
    values = (within * step + start) % 10**width
    item = number(rng, name, values, width, fill=one_of(rng, "0", "0", " "))
    return Item(name, Form("sequence", fill=item.form.fill), item.cells)


def _tail(rng: Random, sections: Index) -> Run | None:
    """What stands at the end of every card: an identification, a running number, or none."""
    needed = len(str(len(sections) + 10))
    cards = len(sections)
    match one_of(rng, "none", "none", "both", "both", "ident", "eight", "short"):
        case "both" if needed <= 4:
            text = masked(rng, one_of(rng, "AAAA", "AA99", "A999", "9999"), 1)[0]
            return Run(
                (constant("deck", cards, text), _running(rng, sections, 4, "number")), (0, 0)
            )
        case "ident":
            text = masked(rng, one_of(rng, "AAAA", "AAA999", "AA-99-99"), 1)[0]
            return Run((constant("deck", cards, text),), (0,))
        case "eight":
            return Run((_running(rng, sections, 8, "number"),), (0,))
        case "short" | "both":
            return Run((_running(rng, sections, max(needed, 3), "number"),), (0,))
        case _:
            return None


def _extras(rng: Random, cards: int, limit: int) -> list[tuple[str, int, list[str]]]:
    """Cards that are none of the data: role, before which card, their texts."""
    made: list[tuple[str, int, list[str]]] = []
    if chance(rng, 0.2):
        count = int(rng.integers(1, 4))
        made.append(
            ("heading", 0, [HEADINGS[int(rng.integers(len(HEADINGS)))] for _ in range(count)])
        )
    if chance(rng, 0.1):
        sign = one_of(rng, "* ", "C  ")
        before = sorted(rng.integers(1, cards, max(cards // 60, 1)).tolist())
        made.extend(("comment", at, [sign + HEADINGS[int(rng.integers(4))]]) for at in before)
    if chance(rng, 0.15):
        made.append(("trailer", cards, [one_of(rng, "END", f"END OF BOX {cards}", "9" * limit)]))
    return [(role, at, [text[:limit] for text in texts]) for role, at, texts in made]


def _spoil(rng: Random, sheets: Sheets) -> tuple[int, ...]:
    """A few cards with a fault: shifted, with a blank column, or a wrong punch."""
    cards, _width = sheets.text.shape
    count = int(rng.integers(1, max(min(cards // 100, 12), 2)))
    chosen = sorted(rng.choice(cards, count, replace=False).tolist())
    for card in chosen:
        used = np.flatnonzero((sheets.text[card] != BLANK) | (sheets.own[card] > 0))
        if not len(used):
            continue
        at = int(rng.choice(used))
        match one_of(rng, "right", "left", "blank", "wrong"):
            case "right":
                for each in (sheets.text, sheets.own):
                    each[card, at + 1 :] = each[card, at:-1].copy()
            case "left":
                for each in (sheets.text, sheets.own):
                    each[card, at:-1] = each[card, at + 1 :].copy()
                    each[card, -1] = BLANK if each is sheets.text else 0
            case "blank":
                sheets.text[card, at], sheets.own[card, at] = BLANK, 0
            case _:
                sheets.text[card, at] = ord(one_of(rng, "0", "5", "A", "T", "-", "*"))
                sheets.own[card, at] = 0
    return tuple(chosen)


def assemble(seed: int, family: str, draft: Draft, rng: Random) -> Deck:
    """Lay out a draft and punch it."""
    cards, width = draft.cards, int(rng.choice(np.array(draft.widths)))
    which = np.zeros(cards, np.int64) if draft.which is None else draft.which
    sections = np.zeros(cards, np.int64) if draft.sections is None else draft.sections
    extras = _extras(rng, cards, width - 8) if draft.headings else []
    order, roles, texts = _with_extras(cards, extras)
    sections = sections[np.minimum(order, cards - 1)]
    tail = _tail(rng, sections) if draft.tail else None
    in_front = tail is not None and len(tail.items) == 1 and chance(rng, 0.15)
    room = tail.width if tail is not None else 0
    start, limit = (1 + room, width) if in_front else (1, width - room)
    start += int(rng.choice([0, 0, 0, 0, 1, 3]))
    mark = _mark(draft, which)
    placed = _place(rng, draft, mark, start, limit)

    data = np.flatnonzero(roles == "data")
    sheets = Sheets(len(order), width)
    common = {id(item) for run in draft.shared for item in run.items} | {id(mark)}
    for number_of_type, card in enumerate(placed):
        mine = np.flatnonzero(which == number_of_type)
        for at, item in card.placed:
            rows_of = mine if id(item) in common else np.arange(len(mine))
            sheets.write(data[mine], at, item, rows_of)
    for card, text in texts.items():
        sheets.write(np.array([card]), start, _line(text, limit - start + 1), np.array([0]))
    tail_fields: list[Field] = []
    if tail is not None:
        end = Card(1 if in_front else width - room + 1, width)
        end.put(rng, [tail], "packed")
        for at, item in end.placed:
            sheets.write(np.arange(len(order)), at, item, np.arange(len(order)))
        tail_fields = end.fields()

    kept = _kept(rng, len(order)) if tail is not None else np.arange(len(order))
    sheets.take(kept)
    roles = roles[kept]
    type_of = np.where(roles == "data", which[np.minimum(order[kept], cards - 1)], -1)
    faulty = _spoil(rng, sheets) if len(kept) >= 60 and chance(rng, 0.3) else ()
    types = [
        CardType(
            draft.names[k] if draft.names else "card",
            draft.labels[k] if draft.labels else "",
            _ordered([*card.fields(), *tail_fields]),
            np.flatnonzero(type_of == k),
            "blank" if draft.names and draft.names[k] == "blank" else "data",
        )
        for k, card in enumerate(placed)
    ]
    for role in ("heading", "comment", "trailer"):
        theirs = np.flatnonzero(roles == role)
        if len(theirs):
            line = Field("text", start, limit, Form("text", justify="left"))
            types.append(CardType(role, "", _ordered([line, *tail_fields]), theirs, role))
    holes = sheets.holes()
    data_bytes, medium, code = make(rng, sheets.text, holes)
    at = next((at for at, item in placed[0].placed if item is mark), 0)
    columns = (at, at + mark.width - 1) if mark is not None else None
    truth = Truth(medium, code, width, columns, tuple(types), faulty)
    return Deck(seed, family, data_bytes, sheets.text, holes, truth)


def _line(text: str, width: int) -> Item:
    return Item("text", Form("text", justify="left"), rows([text], width))


def _ordered(fields: Sequence[Field]) -> tuple[Field, ...]:
    return tuple(sorted(fields, key=lambda one: one.first))


def _kept(rng: Random, cards: int) -> Index:
    """Most often all cards; else a few were lost, or one lies in the deck twice."""
    kept = np.arange(cards)
    if cards >= 50 and chance(rng, 0.15):
        return np.delete(kept, rng.choice(cards, int(rng.integers(1, 6)), replace=False))
    if cards >= 50 and chance(rng, 0.05):
        return np.sort(np.append(kept, rng.integers(cards)))
    return kept


def _with_extras(
    cards: int, extras: Sequence[tuple[str, int, list[str]]]
) -> tuple[Index, NDArray[np.str_], dict[int, str]]:
    """Order of all cards (number of the card of data, or of the next), roles, and texts."""
    order: list[int] = []
    roles: list[str] = []
    texts: dict[int, str] = {}
    waiting = sorted(extras, key=lambda one: one[1])
    for card in range(cards + 1):
        while waiting and waiting[0][1] == card:
            role, _, lines = waiting.pop(0)
            for line in lines:
                texts[len(order)] = line
                order.append(card)
                roles.append(role)
        if card < cards:
            order.append(card)
            roles.append("data")
    return np.array(order), np.array(roles), texts

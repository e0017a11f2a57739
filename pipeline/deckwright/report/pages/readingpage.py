"""The reading report of a deck of pictures: one page of HTML without scripts or other files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from deckwright.report.figures import CHECK, CROSS, LOOK_SIGN
from deckwright.report.html import drawn, page
from deckwright.report.model import card_name, run_number
from deckwright.report.pages.readingmap import doubt_map, doubt_scale, holes_map, place_name
from deckwright.report.pages.readingpieces import card_picture, column_picture, line_picture
from deckwright.wording import percent, plural

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

READ, LOOK, BAD = "read", "look", "bad"
"""States of a card: all columns read; some column is unsure; the card as a whole is not read."""

_STATES = {
    READ: (CHECK, "read"),
    LOOK: (LOOK_SIGN, "to be looked at"),
    BAD: (CROSS, "not readable"),
}
_MEANINGS = {
    READ: "Each of the 80 columns was read, and no place of it was unsure.",
    LOOK: "At least one place is neither surely a hole nor surely paper. A person decides; the "
    "columns without such a place are read.",
    BAD: "Something is wrong with the card or its picture as a whole, as the reason says. No "
    "column of it is taken as read.",
}
_MOST_PLACES = 12


@dataclass(frozen=True, slots=True)
class ShownCard:
    """A card on the contact sheet.

    Attributes:
        card: its number in the run, from 1.
        name: of its picture.
        png: the small picture of the whole card, PNG or JPEG; empty for none.
        state: "read", "look" or "bad".
        why: one sentence.
        deck: its deck, where the run has more than one.
        place: its number there, from 1.

    Raises:
        ValueError: there is no such state.
    """

    card: int
    name: str
    png: bytes
    state: str
    why: str
    deck: str = ""
    place: int = 0

    def __post_init__(self) -> None:
        if self.state not in _STATES:
            msg = f"a card is one of {', '.join(_STATES)} (got {self.state!r})"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class ShownColumn:
    """A column that a person must look at, enlarged.

    Attributes:
        card: its number in the run, from 1.
        column: from 1 to 80.
        name: of the card's picture.
        png: the picture of the column with its neighbours, over the whole height of the card.
        probability: 12 probabilities of a hole, rows 12, 11, 0 to 9.
        state: what was made of it, in a few words.
        unsure: for each of the 12 whether it is unsure; empty where the probability tells alone.
        deck: its deck, where the run has more than one.
        place: its number there, from 1.
    """

    card: int
    column: int
    name: str
    png: bytes
    probability: tuple[float, ...]
    state: str
    unsure: tuple[bool, ...] = ()
    deck: str = ""
    place: int = 0


@dataclass(frozen=True, slots=True)
class PrintedLine:
    """A printed line beside what was punched.

    Attributes:
        card: its number in the run, from 1.
        name: of the card's picture.
        png: the strip along the top edge.
        read: the characters as punched.
        seen: the characters recognised on the strip, blank where nothing; "" if none was looked at.
        deck: its deck, where the run has more than one.
        place: its number there, from 1.
    """

    card: int
    name: str
    png: bytes
    read: str
    seen: str
    deck: str = ""
    place: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class ReadingPage:
    """All that the reading report of one deck shows.

    Attributes:
        deck: its name.
        cards: pictures in the deck; read + look + bad.
        read: cards of which every column was read.
        look: cards with columns that a person must look at.
        bad: cards that were not read as a whole.
        silent_limit: the highest share of columns that may be read wrongly with no mark, as
            measured for this reader (95 % upper bound); 0 where none is known.
        facts: what was found in the pictures, and on how many.
        holes: float64 (12, 80), share of cards with a hole; rows 12, 11, 0 to 9.
        doubt: float64 (12, 80), mean of the smaller of the two probabilities.
        unsure: int64 (12, 80), on how many cards the place is unsure.
        shown: at most 400 cards.
        worst: at most 48 columns.
        printed: at most 60 printed lines.
        back: cards that come back for a person to look at.
    """

    deck: str
    cards: int
    read: int
    look: int
    bad: int
    silent_limit: float
    facts: tuple[tuple[str, int], ...]
    holes: Floats
    doubt: Floats
    unsure: Counts
    shown: tuple[ShownCard, ...] = field(default=())
    worst: tuple[ShownColumn, ...] = field(default=())
    printed: tuple[PrintedLine, ...] = field(default=())
    back: int = 0


@dataclass(frozen=True, slots=True)
class _Shown:
    """A picture on the page with what is said of it. beside: the picture's name, and the like."""

    name: str
    beside: str
    picture: Markup
    says: str = ""
    state: str = ""


@dataclass(frozen=True, slots=True)
class _Group:
    """Cards of one state on the contact sheet."""

    title: str
    word: str
    sign: Markup
    cards: Sequence[_Shown]


def reading_page(deck: ReadingPage) -> str:
    """Return the page; the same data give the same page, byte for byte.

    It holds its pictures and its style, needs no script, and forbids a reader's program to fetch or
    run anything, should a name in it ever be taken for more than text.
    """
    adds_up = deck.cards == deck.read + deck.look + deck.bad
    total = int(deck.unsure.sum())
    left = deck.cards - len(deck.shown)
    groups = [_group(deck, state) for state in (BAD, LOOK, READ)]
    return page(
        "reading.html",
        "Reading report",
        deck.deck,
        deck=deck,
        home="../control.html",
        returned="../returned.html",
        back=_back(deck.back),
        sign=drawn(_sign(deck, adds_up=adds_up)),
        says=_says(deck, adds_up=adds_up),
        state="" if adds_up else "bad",
        sides=_sides(deck, adds_up=adds_up),
        unseen=_unseen(deck),
        facts=[
            (name, number, percent(min(number, deck.cards) / deck.cards) if deck.cards else "")
            for name, number in deck.facts
        ],
        unsure=f"{plural(total, 'place')} on all cards together {_were(total)} unsure"
        if total
        else "no place of any card was unsure",
        scale=drawn(doubt_scale()),
        doubt=drawn(doubt_map(deck.doubt, deck.unsure)),
        often=_most_unsure(deck) if total else "",
        worst=[_column(one) for one in deck.worst],
        lines=[_line(one) for one in deck.printed],
        holes=drawn(holes_map(deck.holes)) if np.nan_to_num(deck.holes).any() else "",
        of_all=f", {len(deck.shown):,} of {deck.cards:,}" if left > 0 else "",
        groups=[group for group in groups if group.cards],
        words=[(drawn(sign), word, _MEANINGS[state]) for state, (sign, word) in _STATES.items()],
    )


def _sign(deck: ReadingPage, *, adds_up: bool) -> str:
    """Return a tick only where nothing is left to do, a warning where most cards were not read."""
    if not adds_up or 2 * deck.read < deck.cards:
        return CROSS
    return CHECK if deck.read == deck.cards else LOOK_SIGN


def _sides(deck: ReadingPage, *, adds_up: bool) -> list[list[tuple[str, int, str]]]:
    return [
        [("", deck.cards, "pictures")],
        [
            ("=" if adds_up else "\u2260", deck.read, "read"),
            ("+", deck.look, "to be looked at"),
            ("+", deck.bad, "not readable"),
        ],
    ]


def _says(deck: ReadingPage, *, adds_up: bool) -> str:
    if not adds_up:
        return "The counts do not add up. Do not use this reading."
    if not deck.cards:
        return "There was no picture to read."
    if deck.read == deck.cards:
        every = "The one card was" if deck.cards == 1 else f"All {deck.cards:,} cards were"
        return f"{every} read; nothing is left to look at."
    left = []
    if deck.look:
        left.append(f"{deck.look:,} {'has' if deck.look == 1 else 'have'} to be looked at")
    if deck.bad:
        left.append(f"{deck.bad:,} could not be read")
    share = percent(deck.read / deck.cards)
    cards = f"{deck.read:,} of {plural(deck.cards, 'card')} ({share})"
    return f"{cards} {_were(deck.read)} read; {', and '.join(left)}."


def _back(cards: int) -> str:
    """Return where a person finds the pictures of the cards that come back."""
    if not cards:
        return ""
    few = (
        "The picture of the card that comes back lies"
        if cards == 1
        else (f"The pictures of the {cards:,} cards that come back lie")
    )
    return f"{few} in the folder returned beside this one, with forms NAME.look.csv to fill in."


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def _unseen(deck: ReadingPage) -> str:
    """Return a sentence on errors that nobody would be told of."""
    if not (deck.silent_limit > 0 and deck.read + deck.look):
        return ""
    columns = f"{deck.silent_limit * 1e6:,.3g} of 1,000,000 columns"
    return (
        f"Nothing unsure is guessed. On simulated cards, {columns} were read wrongly without a "
        "warning (95 % upper bound). Real cards may differ "
        "from those: have somebody compare a sample of these with what was read."
    )


def _most_unsure(deck: ReadingPage) -> str:
    """Return the places that were unsure most often."""
    order = np.argsort(-deck.unsure, axis=None, kind="stable")[:_MOST_PLACES]
    places = [divmod(int(place), deck.unsure.shape[1]) for place in order]
    return "; ".join(
        f"{place_name(row, column)} ({int(deck.unsure[row, column]):,})"
        for row, column in places
        if deck.unsure[row, column]
    )


def _named(one: ShownCard | ShownColumn | PrintedLine) -> str:
    return card_name(one.card, one.deck, one.place)


def _beside(one: ShownCard | ShownColumn | PrintedLine) -> str:
    """Return the picture's name, and the card's number in the run where that is another one."""
    return ", ".join(filter(None, [one.name, run_number(one.card, one.deck)]))


def _column(one: ShownColumn) -> _Shown:
    name = f"{_named(one)}, column {one.column}"
    title = f"{name}, with the probability of a hole in each row"
    picture = column_picture(one.png, one.probability, one.unsure, title)
    return _Shown(name, _beside(one), drawn(picture), one.state)


def _line(one: PrintedLine) -> _Shown:
    name = _named(one)
    return _Shown(name, _beside(one), drawn(line_picture(one.png, one.read, one.seen, name)))


def _group(deck: ReadingPage, state: str) -> _Group:
    cards = [one for one in deck.shown if one.state == state]
    total = {READ: deck.read, LOOK: deck.look, BAD: deck.bad}[state]
    of = f" of {total:,}" if total > len(cards) else ""
    sign, word = _STATES[state]
    title = f"{word.capitalize()}: {len(cards):,}{of}"
    return _Group(title, word, drawn(sign), [_contact(one) for one in cards])


def _contact(one: ShownCard) -> _Shown:
    name = _named(one)
    says = one.why if one.why != one.state else ""
    return _Shown(name, _beside(one), drawn(card_picture(one.png, name)), says, one.state)

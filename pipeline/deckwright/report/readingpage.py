"""The reading report of a deck of pictures: one page of HTML without scripts or other files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deckwright.report.figures import (
    CHECK,
    CROSS,
    EDGE,
    LOOK_SIGN,
    cell,
    count,
    equation,
    plain,
    table,
)
from deckwright.report.model import card_name, run_number
from deckwright.report.readingmap import doubt_map, doubt_scale, holes_map, place_name
from deckwright.report.readingpieces import card_picture, column_picture, line_picture
from deckwright.report.readingstyle import POLICY, READING_STYLE
from deckwright.wording import plural

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
_NONE = "\u2013"


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
            measured for this reader (upper limit, 95 %); 0 where none is known.
        facts: what was found in the pictures, and on how many.
        holes: float64 (12, 80), share of cards with a hole; rows 12, 11, 0 to 9.
        doubt: float64 (12, 80), mean of the smaller of the two probabilities.
        unsure: int64 (12, 80), on how many cards the place is unsure.
        shown: at most 400 cards.
        worst: at most 48 columns.
        printed: at most 60 printed lines.
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


def reading_page(page: ReadingPage) -> str:
    """Return the page; the same data give the same page, byte for byte.

    It holds its pictures and its style, needs no script, and forbids a reader's program to fetch or
    run anything, should a name in it ever be taken for more than text.
    """
    parts = [_header(page), _verdict(page), _facts(page), _doubt(page), _worst(page.worst)]
    parts += [_printed(page.printed), _holes(page), _sheet(page), _words()]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f"<title>Pictures read: {plain(page.deck)}</title>\n<style>{READING_STYLE}</style></head>\n"
        f"<body>\n{''.join(parts)}</body>\n</html>\n"
    )


def _header(page: ReadingPage) -> str:
    pictures = plural(page.cards, "picture")
    return (
        f'<header><p class="kicker">Pictures read</p><h1>{plain(page.deck)}</h1>'
        f'<p class="soft">{pictures} of cards, each with 960 places for a hole</p>{EDGE}</header>\n'
    )


def _verdict(page: ReadingPage) -> str:
    adds_up = page.cards == page.read + page.look + page.bad
    good = adds_up and page.read == page.cards
    parts = [
        ("", page.cards, "pictures"),
        ("=" if adds_up else "\u2260", page.read, "read"),
        ("+", page.look, "to be looked at"),
        ("+", page.bad, "not readable"),
    ]
    return (
        f'<section class="verdict{"" if adds_up else " bad"}"><div class="says">'
        f"{CHECK if good else CROSS}<span>{_says(page, adds_up=adds_up)}</span></div>"
        f"{equation(parts)}{_unseen(page)}</section>\n"
    )


def _says(page: ReadingPage, *, adds_up: bool) -> str:
    if not adds_up:
        return "The counts do not add up. Do not use this reading."
    if not page.cards:
        return "There was no picture to read."
    if page.read == page.cards:
        every = "The one card was" if page.cards == 1 else f"All {count(page.cards)} cards were"
        return f"{every} read; nothing is left to look at."
    left = []
    if page.look:
        left.append(f"{count(page.look)} {'has' if page.look == 1 else 'have'} to be looked at")
    if page.bad:
        left.append(f"{count(page.bad)} could not be read")
    read = f"{count(page.read)} of {plural(page.cards, 'card')} {_were(page.read)} read"
    return f"{read}; {', and '.join(left)}."


def _were(number: int) -> str:
    return "was" if number == 1 else "were"


def _unseen(page: ReadingPage) -> str:
    """Return a sentence on errors that nobody would be told of."""
    if not (page.silent_limit > 0 and page.read + page.look):
        return ""
    return (
        "<p class=soft>Nothing unsure is guessed. On simulated cards at most "
        f"{page.silent_limit * 1e6:,.3g} of 1,000,000 columns were read wrongly with no mark "
        "(upper limit, 95\u00a0%). Real cards may differ from those: have somebody compare a "
        "sample of these with what was read.</p>"
    )


def _facts(page: ReadingPage) -> str:
    if not page.facts:
        return "<section><h2>What the pictures show</h2><p>Nothing out of the way.</p></section>\n"
    rows = (
        f"<td class=name>{plain(name)}</td>{cell(number)}<td class=n>{_share(number, page.cards)}"
        f"</td><td class=much>{_measure(number, page.cards)}</td>"
        for name, number in page.facts
    )
    body = table(["Found", "Pictures", "Share", ""], rows, numbers=(1, 2))
    return (
        "<section><h2>What the pictures show</h2><p class=soft>A picture may show more than one of "
        f"these.</p>{body}</section>\n"
    )


def _share(number: int, of: int) -> str:
    return f"{100 * number / of:.1f} %" if of else _NONE


def _measure(number: int, of: int) -> str:
    """Return a bar; what is there at all is seen."""
    wide = max(1.0, 200 * min(number / of, 1)) if of and number else 0
    return (
        f'<svg viewBox="0 0 200 10" preserveAspectRatio="none" aria-hidden="true">'
        '<path d="M0 5h200" stroke="currentColor" stroke-opacity=".25"/>'
        f'<path d="M0 1h{wide:g}v8h-{wide:g}z" fill="currentColor"/></svg>'
    )


def _doubt(page: ReadingPage) -> str:
    total = int(page.unsure.sum())
    if total:
        says = f"{plural(total, 'place')} on all cards together {_were(total)} unsure"
        listed = _most_unsure(page)
    else:
        says = "no place of any card was unsure"
        listed = ""
    return (
        "<section><h2>How sure the reading is</h2><div class=whole><p>Every place of every card "
        "has a probability of a hole. The darker and larger a mark, the further the reading was "
        f"from certain there, on the mean of all cards; {says}.</p>{doubt_scale()}"
        f'<figure class="wide">{doubt_map(page.doubt, page.unsure)}</figure></div>'
        f"{listed}</section>\n"
    )


def _most_unsure(page: ReadingPage) -> str:
    """Return the places that were unsure most often."""
    order = np.argsort(-page.unsure, axis=None, kind="stable")[:_MOST_PLACES]
    places = [divmod(int(place), page.unsure.shape[1]) for place in order]
    said = "; ".join(
        f"{place_name(row, column)} ({count(int(page.unsure[row, column]))})"
        for row, column in places
        if page.unsure[row, column]
    )
    return f"<p><b>Unsure most often</b>, with the number of cards: {said}.</p>"


def _holes(page: ReadingPage) -> str:
    if not np.nan_to_num(page.holes).any():
        return ""
    return (
        "<section><h2>Where the cards are punched</h2><p>Each place is filled from below by the "
        "share of the cards that were read with a hole there; at the right, holes a card in each "
        f'row.</p><figure class="wide">{holes_map(page.holes)}</figure></section>\n'
    )


def _worst(worst: Sequence[ShownColumn]) -> str:
    if not worst:
        return ""
    figures = "".join(
        f"<figure><figcaption>{plain(_named(one))}, column {one.column}<small>{plain(_beside(one))}"
        f"</small></figcaption>{_column(one)}"
        f"<p>{plain(one.state)}</p></figure>\n"
        for one in worst
    )
    return (
        "<section><h2>Columns to look at, enlarged</h2><p>The column lies between the two ticks, "
        "its neighbours beside it. A bar tells the probability of a hole in its row; a hollow bar "
        "with a question mark is unsure: between the two, or like neither hole nor paper whatever "
        f'its probability.</p><div class="columns">{figures}</div></section>\n'
    )


def _named(one: ShownCard | ShownColumn | PrintedLine) -> str:
    return card_name(one.card, one.deck, one.place)


def _beside(one: ShownCard | ShownColumn | PrintedLine) -> str:
    """Return the picture's name, and the card's number in the run where that is another one."""
    return ", ".join(filter(None, [one.name, run_number(one.card, one.deck)]))


def _column(one: ShownColumn) -> str:
    title = f"{_named(one)}, column {one.column}, with the probability of a hole in each row"
    return column_picture(one.png, one.probability, one.unsure, title)


def _printed(lines: Sequence[PrintedLine]) -> str:
    if not lines:
        return ""
    figures = "".join(
        f"<figure><figcaption>{plain(_named(one))}<small>{plain(_beside(one))}</small></figcaption>"
        f'<div class="wide">{line_picture(one.png, one.read, one.seen, _named(one))}</div>'
        "</figure>\n"
        for one in lines
    )
    return (
        "<section><h2>Printed lines beside the punched characters</h2><p>Boxed characters differ. "
        "What was recognised in print is a second opinion: it can cast doubt on a column, never "
        f'settle one.</p><div class="lines">{figures}</div></section>\n'
    )


def _sheet(page: ReadingPage) -> str:
    if not page.shown:
        return ""
    groups = "".join(_group(page, state) for state in (BAD, LOOK, READ))
    left = page.cards - len(page.shown)
    more = f", {count(len(page.shown))} of {count(page.cards)}" if left > 0 else ""
    return f"<section><h2>Contact sheet{more}</h2>{groups}</section>\n"


def _group(page: ReadingPage, state: str) -> str:
    cards = [one for one in page.shown if one.state == state]
    if not cards:
        return ""
    total = {READ: page.read, LOOK: page.look, BAD: page.bad}[state]
    of = f" of {count(total)}" if total > len(cards) else ""
    sign, word = _STATES[state]
    figures = "".join(_contact(cards))
    return (
        f'<h3>{sign} {word.capitalize()}: {count(len(cards))}{of}</h3><div class="contact">'
        f"{figures}</div>\n"
    )


def _contact(cards: Sequence[ShownCard]) -> Iterator[str]:
    for one in cards:
        sign, word = _STATES[one.state]
        why = f"<p>{plain(one.why)}</p>" if one.why != one.state else ""
        yield (
            f'<figure class="{one.state}">{card_picture(one.png, _named(one))}<figcaption>'
            f"{sign}<span><b>{plain(_named(one))}</b> {word}</span>"
            f"<small>{plain(_beside(one))}</small>"
            f"</figcaption>{why}</figure>\n"
        )


def _words() -> str:
    rows = (
        f"<td>{sign}</td><td class=name>{word}</td><td>{_MEANINGS[state]}</td>"
        for state, (sign, word) in _STATES.items()
    )
    body = table(["", "Word", "It means"], rows)
    return f"<section><h2>What the words mean</h2>{body}</section>\n"

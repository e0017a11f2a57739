"""The deck report: what a strange deck is, on one page of HTML without other files or scripts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from deckwright.examine.guess.sequencewords import sequence_sentence
from deckwright.examine.model import DrawnCard, Examination, Guess, TypeFacts
from deckwright.examine.show.picture import ACROSS, columns_picture, fields_strip
from deckwright.examine.show.sentences import (
    CAUTION,
    Group,
    basis,
    differing_said,
    fields_said,
    grouped,
    headline,
    options_toml,
    picture_lines,
    verdict,
)
from deckwright.examine.strengths import MEANINGS
from deckwright.report.drawing.cardview import CardView, card_view
from deckwright.report.figures import CHECK, CROSS
from deckwright.report.html import drawn, page
from deckwright.report.model import CardLine, card_name

_STRONG = {"holds": 4, "strong": 3, "likely": 2, "possible": 1}
_MOST_CANDIDATES = 6
_MOST_LENGTHS = 8
_SET_APART = {
    "blank": "blank", "banner": "banners", "separator": "separators",
    "control-card": "control cards",
}  # fmt: skip
"""Odd cards that are no data, and what many of them are called."""


@dataclass(frozen=True, slots=True)
class FieldRow:
    """A line of the table of guessed fields. each: how many fields of how many columns."""

    number: str
    guess: Guess
    dots: str
    each: str


@dataclass(frozen=True, slots=True)
class OddRow:
    """A line of the table of odd cards. cards: which, in words."""

    reason: str
    count: int
    sentence: str
    cards: str


def deck_report(found: Examination) -> str:
    """Return the page; the same examination gives the same page, byte for byte."""
    names = ", ".join(deck.name for deck in found.decks[:4])
    more = f" and {len(found.decks) - 4} more" if len(found.decks) > 4 else ""  # noqa: PLR2004
    types, reading = found.types, found.reading
    guesses = () if types.column else types.types[0].guesses if types.types else ()
    return page(
        "deck.html",
        "Deck report",
        names + more,
        found=found,
        types=types,
        headline=headline(found),
        sign=drawn(CHECK if reading.sure else CROSS),
        says=f"{verdict(found)}.{f' {fields_said(found)}.' if found.counted else ''}",
        sides=_sides(found),
        caution=CAUTION,
        pictures=[] if found.pictures is None else picture_lines(found.pictures),
        odd=[_odd(found, one.reason, one.count, one.sentence, one.cards) for one in found.odd],
        lengths=_lengths(found),
        columns=None if found.columns is None else columns_picture(found.columns, guesses),
        fields_of=[(one, _fields(one), _strip(found, one)) for one in types.types],
        basis=basis(found) if found.counted else "",
        sequences=[(facts, sequence_sentence(facts)) for facts in found.sequences],
        cards=list(_cards(found)),
        ahead=""
        if reading.media is None
        else f"Ahead of the runner-up by {reading.media.margin:.3f}; a score is at most 1.",
        candidates=[
            (one, options_toml(one.options)) for one in reading.candidates[:_MOST_CANDIDATES]
        ],
        codes=[]
        if reading.codes is None or not found.counted
        else reading.codes.candidates[:_MOST_CANDIDATES],
        differing=differing_said(found) if reading.runner_up else "",
        meanings=MEANINGS,
    )


def _sides(found: Examination) -> list[list[tuple[str, int, str]]]:
    """Return what adds up to all cards; of pictures, how many were looked at and read."""
    if not found.counted:
        return []
    if found.pictures is not None:
        looked = found.pictures.looked_at
        return [
            [("", found.cards, "cards in pictures"), ("", looked, "looked at")],
            [("", found.data_cards, "of data, read without doubt")],
        ]
    apart = {odd.reason: odd.count for odd in found.odd if odd.reason in _SET_APART}
    parts = [("=", found.data_cards, "of data")]
    parts += [
        ("+", apart.get(reason, 0), name)
        for reason, name in _SET_APART.items()
        if reason == "blank" or apart.get(reason)
    ]
    return [[("", found.cards, "cards")], parts]


def _odd(
    found: Examination, reason: str, count: int, sentence: str, cards: Sequence[int]
) -> OddRow:
    more = ", \u2026" if count > len(cards) else ""
    named = ", ".join(
        _name(found, card).removeprefix("Card ") if len(found.decks) > 1 else f"{card:,}"
        for card in cards
    )
    return OddRow(reason, count, sentence, named + more)


def _name(found: Examination, card: int) -> str:
    """Return the name of a card: its number in its own deck, and that deck where needed."""
    several = len(found.decks) > 1
    deck = next(one for one in reversed(found.decks) if one.first_card <= card)
    return card_name(card, deck.name if several else "", card - deck.first_card + 1)


def _lengths(found: Examination) -> str:
    shown = list(found.lengths.items())[:_MOST_LENGTHS]
    said = ", ".join(f"{number:,} of {length} columns" for length, number in shown)
    return said + (" and other lengths" if len(found.lengths) > _MOST_LENGTHS else "")


def _strip(found: Examination, one: TypeFacts) -> Markup:
    """Return the fields of one of several card types along the card."""
    if not found.types.column or found.width > ACROSS:
        return Markup()
    return drawn(fields_strip(one.guesses, found.width))


def _fields(one: TypeFacts) -> list[FieldRow]:
    numbers = {guess.first: number for number, guess in enumerate(one.guesses, 1)}
    return [_field(numbers[group.guess.first], group) for group in grouped(one.guesses)]


def _field(number: int, group: Group) -> FieldRow:
    guess = group.guess
    dots = "\u25cf" * _STRONG[guess.strength] + "\u25cb" * (4 - _STRONG[guess.strength])
    side_by_side = group.fields > 1 and guess.width >= group.step * group.fields
    numbers = f"{number}\u2013{number + group.fields - 1}" if side_by_side else f"{number}"
    return FieldRow(numbers, guess, dots, group.each)


def _cards(found: Examination) -> Iterator[CardView]:
    for place, card in enumerate(found.drawn, 1):
        yield _view(found, card, f"card{place}")


def _view(found: Examination, card: DrawnCard, ident: str) -> CardView:
    several = len(found.decks) > 1
    deck = next(one for one in reversed(found.decks) if one.first_card <= card.card)
    line = CardLine(
        card.card,
        card.patterns,
        card.text,
        card.marks,
        deck.name if several else "",
        card.card - deck.first_card + 1,
    )
    view = card_view(line, ident)
    return view.renamed(f"{view.name}: {card.why}")

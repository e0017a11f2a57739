"""An examination as lines for a terminal: pieces of text with the name of a style.

Nothing hangs on style or colour: without them the lines say the same.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from deckwright.examine.model import BLANK, Columns, Examination, Guess
from deckwright.examine.picture import ACROSS, class_letters
from deckwright.examine.said import (
    basis,
    differing_said,
    grouped,
    headline,
    options_toml,
    picture_lines,
    verdict,
)
from deckwright.examine.sequencesaid import sequence_sentence
from deckwright.examine.strengths import MEANINGS

Line = list[tuple[str, str]]
"""Pieces of a line: text, and style (`head`, `soft`, `alarm`, `strong` or none)."""

_BLOCKS = " \u2581\u2582\u2583\u2584\u2585\u2586\u2587\u2588"
_WIDE = 100
_CANDIDATES = 4
_LEGEND = (
    "height: filled cells; letter: what they mostly are: D digit, L letter, S special, "
    "M multi-punch, X illegal, . blank; small: on less than half of the cards"
)


def lines(found: Examination, *, brief: bool = False) -> Iterator[Line]:
    """Yield the lines. brief: without card contents and reasons."""
    names = ", ".join(deck.name for deck in found.decks)
    yield [(names, "head")]
    yield [(headline(found), "")]
    yield []
    if found.reading.question:
        yield from _wrapped("? ", found.reading.question, "alarm")
        yield []
    if not found.counted:
        yield from _candidates(found)
        return
    yield [(f"{verdict(found)}.", "strong")]
    if found.reading.runner_up:
        yield from _wrapped("  ", differing_said(found), "")
        for held, ours, theirs, number in found.reading.examples[:3]:
            yield [(f"    {held}: {ours!r}, or {theirs!r}; {number:,} cells", "soft")]
    yield []
    yield from _pictures(found)
    yield from _counts(found)
    yield from _columns(found)
    yield from _types(found, brief=brief)
    if not brief:
        yield from _cards(found)
        yield from _legend()


def _wrapped(lead: str, text: str, style: str, indent: int = 2) -> Iterator[Line]:
    for place, line in enumerate(textwrap.wrap(text, _WIDE - indent)):
        yield [((lead if not place else " " * indent) + line, style)]


def _candidates(found: Examination) -> Iterator[Line]:
    for one in found.reading.candidates[:_CANDIDATES]:
        yield [(f"{one.score:.3f}  {one.name}", "strong")]
        yield from _wrapped("       ", one.sentence, "", 7)
        yield [(f"       --medium '{options_toml(one.options)}'", "soft")]


def _pictures(found: Examination) -> Iterator[Line]:
    if found.pictures is None:
        return
    yield [("Pictures", "head")]
    for name, said in picture_lines(found.pictures):
        yield from _wrapped("  ", f"{name + ':':<16}{said}", "", 18)
    yield []


def _counts(found: Examination) -> Iterator[Line]:
    yield [("Cards", "head")]
    if len(found.decks) > 1:
        for deck in found.decks:
            yield [(f"  {deck.cards:>12,}  {deck.name}, from card {deck.first_card:,}", "")]
    if found.pictures is None:
        yield [(f"  {found.cards:>12,}  in all, {found.data_cards:,} of them data", "")]
    else:
        read = f"{found.pictures.looked_at:,} looked at, {found.data_cards:,} of them data and sure"
        yield [(f"  {found.cards:>12,}  in all, {read}", "")]
    for odd in found.odd:
        numbers = ", ".join(f"{card:,}" for card in odd.cards[:6])
        more = ", ..." if odd.count > 6 else ""  # noqa: PLR2004 # as shown
        said = f"{odd.count:>12,}  {odd.reason}: {odd.sentence} (card {numbers}{more})"
        yield from _wrapped("  ", said, "", 16)
    short = {length: number for length, number in found.lengths.items() if length != found.width}
    if short:
        said = ", ".join(f"{number:,} of {length}" for length, number in list(short.items())[:6])
        yield [(f"  {'':>12}  shorter records: {said} columns", "")]
    yield []


def _columns(found: Examination) -> Iterator[Line]:
    if found.columns is None:
        return
    yield [("Columns", "head")]
    letters, bars = class_letters(found.columns), _bars(found.columns)
    for first in range(0, min(found.width, 3 * ACROSS), ACROSS):
        yield [(f"  {bars[first : first + ACROSS]}", "")]
        yield [(f"  {letters[first : first + ACROSS]}", "strong")]
        ruler = "".join(_tick(column) for column in range(first + 1, first + ACROSS + 1))
        yield [(f"  {ruler[: max(0, found.width - first)]}", "soft")]
    if found.width > 3 * ACROSS:
        yield [(f"  {found.width - 3 * ACROSS:,} further columns are not shown", "soft")]
    yield from _wrapped("  ", _LEGEND, "soft")
    yield []


def _bars(columns: Columns) -> str:
    filled = 1 - columns.shares()[:, BLANK]
    steps = len(_BLOCKS) - 1
    return "".join(
        _BLOCKS[min(steps, max(1, round(share * steps)))] if share > 0 else " " for share in filled
    )


def _tick(column: int) -> str:
    if column % 10:
        return ":" if column % 5 == 0 else "."
    return str(column // 10 % 10)


def _types(found: Examination, *, brief: bool) -> Iterator[Line]:
    types = found.types
    if types.column:
        yield [("Card types", "head")]
        yield from _wrapped("  ", f"{types.sentence} ({types.strength})", "")
        for one in types.types:
            values = " ".join(map(repr, one.values))
            yield [(f"  {one.cards:>12,}  {one.name}  {values}", "")]
        yield []
    for one in types.types:
        of = f" of {one.name}, {one.cards:,} cards" if types.column else ""
        yield [(f"Guessed fields{of}", "head")]
        if one is types.types[0]:
            yield from _wrapped("  ", basis(found), "soft")
        if not one.guesses:
            yield [("  too few cards to guess from", "soft")]
        for guess, fields in grouped(one.guesses):
            yield from _guess(guess, fields, brief=brief)
        yield []
    yield [("Order", "head")]
    for facts in found.sequences:
        said = f"columns {facts.first}-{facts.last}: {sequence_sentence(facts)}"
        yield from _wrapped("  ", said, "")
    if not found.sequences:
        yield [("  no column runs on from card to card", "")]
    yield []


def _guess(guess: Guess, fields: int, *, brief: bool) -> Iterator[Line]:
    each = f", {fields} of {guess.width // fields} columns" if fields > 1 else ""
    yield [
        (f"  {guess.columns:>7}  ", "strong"),
        (f"{guess.what}{each}".ljust(46), ""),
        (guess.strength, "soft" if guess.strength == "possible" else "strong"),
    ]
    if not brief:
        yield from _wrapped(" " * 11, guess.sentence, "", 11)
        for reason in guess.reasons[:2]:
            yield from _wrapped(" " * 11, reason, "soft", 11)


def _cards(found: Examination) -> Iterator[Line]:
    yield [("First, last and oddest cards", "head")]
    for card in found.drawn:
        shown = "".join(c if c.isprintable() else "\u25af" for c in card.text[:ACROSS])
        yield [(f"  card {card.card:,}, {card.why}", "soft")]
        yield [(f"  {shown}", "")]
        under = [" "] * len(shown)
        for first, last, _ in card.marks:
            under[first - 1 : min(last, ACROSS)] = "^" * (min(last, ACROSS) - first + 1)
        if card.marks:
            yield [(f"  {''.join(under).rstrip()}", "alarm")]
        for first, last, sentence in card.marks:
            where = f"column {first}" if first == last else f"columns {first}-{last}"
            yield [(f"    {where}: {sentence}", "soft")]
    yield []


def _legend() -> Iterator[Line]:
    yield [("What the strengths mean", "head")]
    for word, meaning in MEANINGS.items():
        yield [(f"  {word:<9} {meaning}", "soft")]

"""An examination as lines for a terminal: pieces of text with the name of a style.

Nothing hangs on style or colour: without them the lines say the same.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

from deckwright.examine.guess.sequencewords import sequence_sentence
from deckwright.examine.model import BLANK, Columns, Examination
from deckwright.examine.show.picture import ACROSS, class_letters
from deckwright.examine.show.sentences import (
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
from deckwright.report.signs import shown_character

Line = list[tuple[str, str]]
"""Pieces of a line: text, and style (`head`, `soft`, `alarm`, `strong` or none)."""

_Piece: TypeAlias = "Line | _Paragraph"

_BLOCKS = " \u2581\u2582\u2583\u2584\u2585\u2586\u2587\u2588"
_PLAIN = str.maketrans(dict(zip(_BLOCKS[1:], "_.:-=+#@", strict=True)))
_MARGIN = 2
_WHAT = 54  # characters for what a field is
_CANDIDATES = 4
_LEGEND = (
    "height: filled cells; letter: what they mostly are: D digit, L letter, S special, "
    "M multi-punch, X illegal, . blank; small: on less than half of the cards"
)


@dataclass(frozen=True, slots=True)
class _Paragraph:
    """Text to be wrapped: what begins it, and how far its further lines are set in."""

    lead: str
    text: str
    style: str
    indent: int = 2

    def lines(self, width: int) -> Iterator[Line]:
        """Yield its lines, none wider than this."""
        for place, line in enumerate(textwrap.wrap(self.text, max(20, width - self.indent))):
            yield [((" " * self.indent if place else self.lead) + line, self.style)]


def lines(
    found: Examination, *, brief: bool = False, width: int = 100, plain: bool = False
) -> Iterator[Line]:
    """Yield the lines.

    Args:
        found: what was found.
        brief: without card contents and reasons.
        width: characters of a line; cards and their columns are never wrapped.
        plain: in ASCII.
    """
    margin = " " * _MARGIN if width >= ACROSS + _MARGIN else ""
    for piece in _pieces(found, margin, brief=brief):
        for line in piece.lines(width) if isinstance(piece, _Paragraph) else [piece]:
            yield [(_ascii(text), style) for text, style in line] if plain else line


def _named(character: str) -> str:
    """Return a character in quotes, or in words where there is nothing to be seen."""
    words = shown_character(character)
    return repr(character) if words == character else words


def _ascii(text: str) -> str:
    return text.translate(_PLAIN).encode("ascii", "replace").decode()


def _pieces(found: Examination, margin: str, *, brief: bool) -> Iterator[_Piece]:
    names = ", ".join(deck.name for deck in found.decks)
    yield [(names, "head")]
    yield _Paragraph("", headline(found), "", 0)
    yield []
    if found.reading.question:
        yield _Paragraph("? ", found.reading.question, "alarm")
        yield []
    if not found.counted:
        yield from _candidates(found)
        return
    yield _Paragraph("", f"{verdict(found)}. {fields_said(found)}.", "strong", 0)
    if found.reading.runner_up:
        yield _Paragraph("  ", differing_said(found), "")
        for held, ours, theirs, number in found.reading.examples[:3]:
            yield [(f"    {held}: {_named(ours)}, or {_named(theirs)}; {number:,} cells", "soft")]
    yield []
    yield from _pictures(found)
    yield from _counts(found)
    yield from _columns(found, margin)
    yield from _types(found, brief=brief)
    if not brief:
        yield from _cards(found, margin)
        yield from _legend()


def _candidates(found: Examination) -> Iterator[_Piece]:
    for one in found.reading.candidates[:_CANDIDATES]:
        yield [(f"{one.score:.3f}  {one.name}", "strong")]
        yield _Paragraph("       ", one.sentence, "", 7)
        yield [(f"       --medium '{options_toml(one.options)}'", "soft")]


def _pictures(found: Examination) -> Iterator[_Piece]:
    if found.pictures is None:
        return
    yield [("Pictures", "head")]
    for name, said in picture_lines(found.pictures):
        yield _Paragraph("  ", f"{name + ':':<16}{said}", "", 18)
    yield []


def _counts(found: Examination) -> Iterator[_Piece]:
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
        yield _Paragraph("  ", said, "", 16)
    short = {length: number for length, number in found.lengths.items() if length != found.width}
    if short:
        said = ", ".join(f"{number:,} of {length}" for length, number in list(short.items())[:6])
        yield [(f"  {'':>12}  shorter records: {said} columns", "")]
    yield []


def _columns(found: Examination, margin: str) -> Iterator[_Piece]:
    if found.columns is None:
        return
    yield [("Columns", "head")]
    letters, bars = class_letters(found.columns), _bars(found.columns)
    for first in range(0, min(found.width, 3 * ACROSS), ACROSS):
        yield [(f"{margin}{bars[first : first + ACROSS]}", "")]
        yield [(f"{margin}{letters[first : first + ACROSS]}", "strong")]
        ruler = "".join(_tick(column) for column in range(first + 1, first + ACROSS + 1))
        yield [(f"{margin}{ruler[: max(0, found.width - first)]}", "soft")]
    if found.width > 3 * ACROSS:
        yield [(f"  {found.width - 3 * ACROSS:,} further columns are not shown", "soft")]
    yield _Paragraph("  ", _LEGEND, "soft")
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


def _types(found: Examination, *, brief: bool) -> Iterator[_Piece]:
    types = found.types
    if types.column:
        yield [("Card types", "head")]
        yield _Paragraph("  ", f"{types.sentence} ({types.strength})", "")
        for one in types.types:
            values = " ".join(map(repr, one.values))
            yield [(f"  {one.cards:>12,}  {one.name}  {values}", "")]
        yield []
    for one in types.types:
        of = f" of {one.name}, {one.cards:,} cards" if types.column else ""
        yield [(f"Guessed fields{of}", "head")]
        if one is types.types[0]:
            yield _Paragraph("  ", basis(found), "soft")
        if not one.guesses:
            yield [("  too few cards to guess from", "soft")]
        for group in grouped(one.guesses):
            yield from _guess(group, brief=brief)
        yield []
    yield [("Order", "head")]
    for facts in found.sequences:
        said = f"columns {facts.first}-{facts.last}: {sequence_sentence(facts)}"
        yield _Paragraph("  ", said, "")
    if not found.sequences:
        yield [("  no column counts the cards", "")]
    yield []


def _guess(group: Group, *, brief: bool) -> Iterator[_Piece]:
    guess = group.guess
    each = f", {group.each}" if group.each else ""
    yield [
        (f"  {guess.columns:>7}  ", "strong"),
        (f"{guess.what}{each}".ljust(_WHAT - 2) + "  ", ""),
        (guess.strength, "soft" if guess.strength == "possible" else "strong"),
    ]
    if not brief:
        yield _Paragraph(" " * 11, guess.sentence, "", 11)
        for reason in guess.reasons[:2]:
            yield _Paragraph(" " * 11, reason, "soft", 11)


def _cards(found: Examination, margin: str) -> Iterator[_Piece]:
    yield [("First, last and oddest cards", "head")]
    for card in found.drawn:
        shown = "".join(c if c.isprintable() else "\u25af" for c in card.text[:ACROSS])
        yield [(f"{margin}card {card.card:,}, {card.why}", "soft")]
        yield [(f"{margin}{shown}", "")]
        under = [" "] * len(shown)
        for first, last, _ in card.marks:
            under[first - 1 : min(last, ACROSS)] = "^" * (min(last, ACROSS) - first + 1)
        if card.marks:
            yield [(f"{margin}{''.join(under).rstrip()}", "alarm")]
        for first, last, sentence in card.marks:
            where = f"column {first}" if first == last else f"columns {first}-{last}"
            yield _Paragraph("    ", f"{where}: {sentence}", "soft", 6)
    yield []


def _legend() -> Iterator[_Piece]:
    yield [("What the strengths mean", "head")]
    for word, meaning in MEANINGS.items():
        yield _Paragraph("  ", f"{word:<9} {meaning}", "soft", 12)

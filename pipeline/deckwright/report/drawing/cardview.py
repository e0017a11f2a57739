"""A card as a page shows it: drawn or as text, with its reasons as words that can be read aloud."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from deckwright.report.drawing.cards import COLUMNS, card_scene, said
from deckwright.report.drawing.embedding import embedded
from deckwright.report.drawing.svg import to_svg
from deckwright.report.html import drawn
from deckwright.report.model import CardLine, Mark
from deckwright.report.signs import shown

ROW = 80
"""Columns of one row when a long record is shown as text."""

_FIRST_SHOWN = 12


@dataclass(frozen=True, slots=True)
class RecordRow:
    """One row of a record: a ruler above it, and below it the numbers of faults."""

    ruler: str
    text: str
    under: str


@dataclass(frozen=True, slots=True)
class CardView:
    """A card on a page.

    Attributes:
        ident: prefix of its ids, different for each card on a page.
        name: by which it is found in the box.
        number: its number in the run, where that is another one.
        reasons: a sentence for each of its faults, in their order.
        notes: further sentences.
        drawing: as SVG; empty where it is shown as text.
        rows: of its record as text.
        left_out: rows that are not shown.
        picture: address of the picture that it was read from; empty where there is none.
    """

    ident: str
    name: str
    number: str
    reasons: Sequence[str]
    notes: Sequence[str]
    drawing: Markup
    rows: Sequence[RecordRow] = ()
    left_out: int = 0
    picture: str = ""

    def renamed(self, name: str) -> CardView:
        """Return the same card under another name."""
        return replace(self, name=name)


def card_view(card: CardLine, ident: str) -> CardView:
    """Return a card as it is drawn large, with its reasons beside the drawing and not in it."""
    drawing, left_out = Markup(), 0
    rows: list[RecordRow] = []
    unread = card.picture and card.patterns is not None and not card.patterns.any()
    if card.patterns is not None and len(card.text) <= COLUMNS and not unread:
        scene = card_scene(
            card.patterns,
            card.text,
            card.marks,
            title=f"{card.name}, drawn",
            fields=card.fields,
            asked=card.asked,
            most_lines=0,
        )
        drawing = drawn(to_svg(scene, ident))
    elif not card.picture:
        rows, left_out = record_rows(card.text, card.marks)
    return CardView(
        ident,
        card.name,
        card.beside,
        reasons(card.marks),
        card.notes,
        drawing,
        rows,
        left_out,
        address(card.picture),
    )


def address(picture: bytes) -> str:
    """Return an address that is the picture itself; empty where it is none."""
    found = embedded(picture)
    return found.address if found else ""


def reasons(marks: Sequence[Mark]) -> list[str]:
    """Return each fault as a sentence that says where it is."""
    return [said(mark) for mark in marks]


def record_rows(text: str, marks: Sequence[Mark]) -> tuple[list[RecordRow], int]:
    """Return a record as rows of 80 columns, and how many rows are left out.

    Of a long record, the rows with a fault are shown.
    """
    rows = list(_rows(shown(text), marks))
    wanted = [row for row in rows if row.under] or rows
    kept = rows if len(rows) <= _FIRST_SHOWN else wanted[:_FIRST_SHOWN]
    return kept, len(rows) - len(kept)


def _rows(text: str, marks: Sequence[Mark]) -> Iterator[RecordRow]:
    for start in range(0, max(len(text), 1), ROW):
        part = text[start : start + ROW]
        ruler = "".join(_tick(column) for column in range(start + 1, start + len(part) + 1))
        carets = [" "] * len(part)
        for number, (first, last, _) in enumerate(marks, 1):
            for column in range(max(first, start + 1), min(last, start + len(part)) + 1):
                carets[column - start - 1] = str(number % 10)
        yield RecordRow(f"{start + 1:>6} {ruler}", part, "".join(carets).rstrip())


def _tick(column: int) -> str:
    if column % 10:
        return ":" if column % 5 == 0 else "."
    return str(column // 10 % 10)

"""Several cards on a page: sheets at true size, and contact sheets of small cards."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from deckwright.report.drawing.cards import HEIGHT, WIDTH, card_scene, plain_scene, said
from deckwright.report.drawing.scene import (
    MILLIMETRES,
    PAGE_INK,
    Group,
    Lines,
    Scene,
    Shape,
    Words,
)
from deckwright.report.model import CardLine
from deckwright.report.signs import shown

WHITE: Final = "#ffffff"

_MARGIN = 240
_CAPTION = 130
_GAP = 90
_SOFT = "#55514a"
_SMALL_TYPE = 78
_SMALL_LINE = 108
_SMALL_GAP = 160
_LETTER = 0.56  # of the size of the type, how wide a letter is on average


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper, upright, in thousandths of an inch."""

    width: float
    height: float


PAPERS: Final = {
    "a4": Paper(210 / MILLIMETRES, 297 / MILLIMETRES),
    "letter": Paper(8_500, 11_000),
}
"""Sizes of paper. Source: ISO 216 for A4; letter is 8.5 x 11 inches by ANSI/ASME Y14.1."""


def true_size_pages(cards: Sequence[CardLine], paper: Paper, title: str = "") -> list[Scene]:
    """Return cards at true size, as many on a page as there is room for.

    Args:
        cards: cards with patterns.
        paper: the paper.
        title: name of the drawings.
    """
    room = paper.height - 2 * _MARGIN
    pages: list[list[tuple[CardLine, Scene]]] = []
    left = 0.0
    for card in cards:
        scene = _fitting(card, room - _CAPTION)
        need = _CAPTION + scene.height + _GAP
        if not pages or need - _GAP > left:
            pages.append([])
            left = room
        pages[-1].append((card, scene))
        left -= need
    return [
        _page(paper, [*_stacked(page, paper), _proof(paper)], title, number, len(pages))
        for number, page in enumerate(pages, 1)
    ]


@dataclass(frozen=True, slots=True)
class _Small:
    """A small card with what is written below it. height: with the gap to the next row."""

    card: CardLine
    scale: float
    name: Sequence[str]
    fault: Sequence[str]

    @classmethod
    def of(cls, card: CardLine, wide: float, room: float) -> _Small:
        """Wrap what is said of a card to its width; it is cut off only where no page has room."""
        scale = wide / (WIDTH + 40)
        letters = max(8, int(wide / (_SMALL_TYPE * _LETTER)))
        name = textwrap.wrap(shown(card.name), letters)
        most = int((room - (HEIGHT + 40) * scale - _SMALL_GAP / 2) / _SMALL_LINE) - len(name)
        fault = textwrap.wrap(
            first_fault(card), letters, max_lines=max(1, most), placeholder="\u2026"
        )
        return cls(card, scale, name, fault)

    @property
    def height(self) -> float:
        lines = len(self.name) + len(self.fault)
        return (HEIGHT + 40) * self.scale + lines * _SMALL_LINE + _SMALL_GAP / 2

    def placed(self, left: float, top: float) -> Iterator[Shape]:
        assert self.card.patterns is not None  # noqa: S101 # as the callers see to
        small = plain_scene(self.card.patterns, self.card.marks, self.card.asked)
        yield small.placed(left, top, self.scale)
        down = top + (HEIGHT + 40) * self.scale + _SMALL_LINE * 0.8
        for lines, bold in ((self.name, True), (self.fault, False)):
            items = tuple((left, down + _SMALL_LINE * n, line) for n, line in enumerate(lines))
            if items:
                yield Words(items, _SMALL_TYPE, PAGE_INK, bold=bold)
            down += _SMALL_LINE * len(lines)


def contact_pages(
    cards: Sequence[CardLine], a_row: int, paper: Paper, title: str = ""
) -> list[Scene]:
    """Return small cards, each with its number and the first of its faults.

    Args:
        cards: cards with patterns.
        a_row: cards in a row.
        paper: the paper.
        title: name of the drawings, set as heading.
    """
    usable = paper.width - 2 * _MARGIN - 120
    wide = (usable - (a_row - 1) * _SMALL_GAP) / a_row
    top = _MARGIN + 150
    room = paper.height - top - _MARGIN
    pages: list[list[Shape]] = []
    left = 0.0
    for at in range(0, len(cards), a_row):
        row = [_Small.of(card, wide, room) for card in cards[at : at + a_row]]
        high = max(small.height for small in row)
        if not pages or high > left:
            heading = Words(((300, _MARGIN + 60, shown(title)),), 110, PAGE_INK, bold=True)
            pages.append([heading])
            left = room
        for column, small in enumerate(row):
            pages[-1] += small.placed(300 + column * (wide + _SMALL_GAP), top + room - left)
        left -= high
    return [
        _page(paper, shapes, title, number, len(pages)) for number, shapes in enumerate(pages, 1)
    ]


def first_fault(card: CardLine) -> str:
    """Return the first fault of a card and how many more there are; empty where there is none."""
    if not card.marks:
        return ""
    mark = card.marks[0]
    more = f" (and {len(card.marks) - 1} more)" if len(card.marks) > 1 else ""
    return f"{said(mark)}{more}"


def _fitting(card: CardLine, room: float) -> Scene:
    """Return a card's drawing that is no higher than there is room for."""
    assert card.patterns is not None  # noqa: S101 # as the callers see to
    most: int | None = None
    while True:
        scene = card_scene(
            card.patterns,
            card.text,
            card.marks if most is None else card.marks[: 4 * most],
            title=card.full_name,
            fields=card.fields,
            notes=card.notes,
            asked=card.asked,
            most_lines=most,
        )
        if scene.height <= room or most == 1:
            return scene
        most = 24 if most is None else most - 1


def _stacked(page: Sequence[tuple[CardLine, Scene]], paper: Paper) -> Iterator[Shape]:
    down = float(_MARGIN)
    for card, scene in page:
        left = (paper.width - scene.width) / 2
        caption = ((left - scene.left, down + 80, shown(card.full_name)),)
        yield Words(caption, 100, PAGE_INK, bold=True)
        yield scene.placed(left, down + _CAPTION)
        down += _CAPTION + scene.height + _GAP


def _proof(paper: Paper) -> Group:
    """Return a line of 50 mm by which a person sees whether a page was printed at true size."""
    long, down = 50 / MILLIMETRES, paper.height - 90
    left = (paper.width - WIDTH) / 2
    run = ((left, down - 40), (left, down), (left + long, down), (left + long, down - 40))
    words = Words(((left + long + 60, down, "50 mm where printed at true size"),), 70, _SOFT)
    return Group((Lines((run,), _SOFT, 8), words), (0, 0))


def _page(paper: Paper, shapes: Sequence[Shape], title: str, number: int, count: int) -> Scene:
    said = f"page {number} of {count}"
    end = (paper.width + WIDTH) / 2
    foot = Words(((end, paper.height - 90, said),), 70, _SOFT, "end")
    name = shown(f"{title}, {said}" if title else said)
    return Scene(0, 0, paper.width, paper.height, (*shapes, foot), name, WHITE)

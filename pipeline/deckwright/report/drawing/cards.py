"""Draw one card: its holes to scale, its printed line, its fields, its faulty columns."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterator, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from deckwright.report.drawing.fields import field_brackets
from deckwright.report.drawing.scene import (
    PAGE_INK,
    Area,
    Bars,
    Grid,
    Letters,
    Lines,
    Scene,
    Shape,
    Words,
    box,
)
from deckwright.report.drawing.svg import to_svg
from deckwright.report.model import FieldSpan, Mark
from deckwright.report.signs import shown

# Thousandths of an inch, in which every figure is a whole number. Card 7.375 x 3.250 in: ANSI/AIIM
# MS41-1996, clause 4.3.1, citing ANSI X3.11. Holes 0.055 x 0.125 in, 0.087 and 0.250 in apart: FIPS
# PUB 13 / ANSI X3.21-1967, second hand. Column 1 and row 12 follow from centring the block of
# holes; the corner cut (60 degrees, ANSI X3.11) is from memory.
WIDTH, HEIGHT = 7375, 3250
COLUMN_PITCH, ROW_PITCH = 87, 250
HOLE_WIDTH, HOLE_HEIGHT = 55, 125
FIRST_COLUMN, FIRST_ROW = 251, 250
CUT_ALONG, CUT_DOWN = 220, 381

PRINT_BASE = 106
"""Base line of the printed line: clear of the corner cut and of the frame of a faulty column."""

COLUMNS = 80
ROWS = (12, 11, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9)

FRAME = 20
"""Left free around the card, so that its edge is not cut off."""

PAPER, BAND, EDGE, DOT, INK, MARK, HATCHED = (
    "#faf6ea",
    "#f1ead6",
    "#5b5546",
    "#c9bf9f",
    "#1b1a17",
    "#8c1c13",
    "#be7e74",
)
_RING = 62
_LEVEL = 190
_LINE = 180
_LETTERS_A_LINE = 92


def draw_card(
    patterns: NDArray[np.uint16],
    text: str = "",
    marks: Sequence[Mark] = (),
    *,
    title: str = "",
    ident: str = "card",
    fields: Sequence[FieldSpan] = (),
    notes: Sequence[str] = (),
    asked: Collection[int] = (),
) -> str:
    """Return one card as an SVG drawing of true size, made for print as for the screen.

    Args:
        ident: prefix of the ids in the drawing, different for each drawing on a page.
        patterns: and all else: see `card_scene`.
        text: the printed line.
        marks: the faults.
        title: name of the drawing.
        fields: the fields.
        notes: further lines.
        asked: marks that are questions.

    Raises:
        ValueError: the patterns are not those of 80 columns.
    """
    scene = card_scene(patterns, text, marks, title=title, fields=fields, notes=notes, asked=asked)
    return to_svg(scene, ident)


def card_scene(
    patterns: NDArray[np.uint16],
    text: str = "",
    marks: Sequence[Mark] = (),
    *,
    title: str = "",
    fields: Sequence[FieldSpan] = (),
    notes: Sequence[str] = (),
    asked: Collection[int] = (),
    most_lines: int | None = None,
) -> Scene:
    """Return one card as a drawing.

    Faulty columns are hatched and bracketed and carry the number of their sentence below the card,
    so that nothing hangs on colour. Brackets and sentences take the colour of the page's text.

    Args:
        patterns: uint16 (80), the holes of each column; row 12 is 0x800, row 9 is 0x001.
        text: the printed line, one character a column.
        marks: first and last column at fault, from 1, with a sentence each; (0, 0, sentence) for
            the card as a whole.
        title: name of the drawing for those who do not see it.
        fields: first and last column, from 1, and name; bracketed above the card.
        notes: sentences below the card that no column is hatched for.
        asked: numbers (from 1) of marks that are questions: framed and not hatched.
        most_lines: lines below the card at most; 0: they stand elsewhere.

    Raises:
        ValueError: the patterns are not those of 80 columns.
    """
    if patterns.shape != (COLUMNS,):
        msg = f"a drawn card has {COLUMNS} columns (got patterns of shape {patterns.shape})"
        raise ValueError(msg)
    places = _placed(marks)
    lines = _shortened([*_sentences(marks), *_noted(notes)], most_lines) if most_lines != 0 else []
    above, named = field_brackets(fields, column_centre)
    depth = max((level for _, level in places), default=-1) + 1
    below = HEIGHT + (20 + _LEVEL * depth if depth else 0)
    bottom = below + (_LINE * len(lines) + 60 if lines else 0)
    shapes: list[Shape] = [*named, *_paper(), *_bands(marks, asked), _holes(patterns)]
    shapes += _printed(text)
    for number, level in places:
        shapes += _bracket(number, marks[number - 1], level)
    shapes += _explained(lines, below)
    height = above + bottom + 2 * FRAME
    return Scene(-FRAME, -FRAME - above, WIDTH + 2 * FRAME, height, tuple(shapes), shown(title))


def plain_scene(
    patterns: NDArray[np.uint16], marks: Sequence[Mark] = (), asked: Collection[int] = ()
) -> Scene:
    """Return a card with its holes and marked columns alone, to be shown small.

    Args:
        patterns: uint16 (80), the holes of each column.
        marks: as for `card_scene`.
        asked: as for `card_scene`.
    """
    shapes: list[Shape] = [_outline(), *_bands(marks, asked), _holes(patterns)]
    frame = (-FRAME, -FRAME, WIDTH + 2 * FRAME, HEIGHT + 2 * FRAME)
    return Scene(*frame, tuple(shapes))


def column_centre(column: int) -> int:
    """Return the distance of a column's centre (from 1) from the left edge, in 1/1000 inch."""
    return FIRST_COLUMN + (column - 1) * COLUMN_PITCH


def row_middle(place: int) -> int:
    """Return the distance of a row's middle (from 0: row 12) from the top edge, in 1/1000 inch."""
    return FIRST_ROW + place * ROW_PITCH


def where(mark: Mark) -> str:
    """Return the columns of a mark in words."""
    first, last, _ = mark
    if first <= 0 or (first == 1 and last >= COLUMNS):
        return "card"
    return f"column {first}" if first == last else f"columns {first}\u2013{last}"


def said(mark: Mark) -> str:
    """Return a mark as one sentence that tells where it is."""
    place, sentence = where(mark), shown(mark[2])
    return sentence if f"({place})" in sentence else f"{place}: {sentence}"


def _outline() -> Area:
    corners = ((CUT_ALONG, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT), (0, CUT_DOWN))
    return Area((corners,), PAPER, edge=EDGE, edge_width=14)


@lru_cache(maxsize=1)
def _paper() -> tuple[Shape, ...]:
    """Return the card itself: outline with its cut corner, bands of ten columns, row names."""
    return tuple(_paper_shapes())


def _paper_shapes() -> Iterator[Shape]:
    yield _outline()
    yield Area(tuple(_columns_box(first, first + 9) for first in range(11, COLUMNS, 20)), fill=BAND)
    pitch = (COLUMN_PITCH, ROW_PITCH)
    yield Grid((FIRST_COLUMN, FIRST_ROW), COLUMNS, len(ROWS), pitch, 9, 32, DOT)
    names = ((207, row_middle(place) + 24, str(row)) for place, row in enumerate(ROWS))
    yield Words(tuple(names), 64, EDGE, "end")
    numbered = (1, *range(10, COLUMNS + 1, 10))
    numbers = ((column_centre(column), 3212, str(column)) for column in numbered)
    yield Words(tuple(numbers), 72, EDGE, "middle")


def _columns_box(first: int, last: int) -> tuple[tuple[float, float], ...]:
    left = column_centre(first) - COLUMN_PITCH / 2
    return box(left, ROW_PITCH / 2, (last - first + 1) * COLUMN_PITCH, len(ROWS) * ROW_PITCH)


def _holes(patterns: NDArray[np.uint16]) -> Bars:
    centres = np.arange(COLUMNS) * COLUMN_PITCH + FIRST_COLUMN
    rows = tuple(
        (row_middle(place), tuple(centres[(patterns & (0x800 >> place)) != 0].tolist()))
        for place in range(len(ROWS))
    )
    return Bars(rows, HOLE_WIDTH, HOLE_HEIGHT, INK)


def _printed(text: str) -> Iterator[Letters]:
    """Yield the printed line, each character over the middle of its own column."""
    line = shown(text[:COLUMNS])
    places = [column for column, character in enumerate(line, 1) if character != " "]
    if places:
        letters = "".join(line[column - 1] for column in places)
        yield Letters(tuple(map(column_centre, places)), PRINT_BASE, letters, 96, INK)


def _bands(marks: Sequence[Mark], asked: Collection[int]) -> Iterator[Area]:
    """Yield the marked columns, each range once and within the card."""
    ranges: dict[tuple[int, int], bool] = {}
    for number, (first, last, _) in enumerate(marks, 1):
        if 0 < first <= COLUMNS:
            pair = (first, min(last, COLUMNS))
            ranges[pair] = ranges.get(pair, False) or number not in asked
    for (first, last), hatched in ranges.items():
        hatch = HATCHED if hatched else ""
        yield Area((_columns_box(first, last),), hatch=hatch, edge=MARK, edge_width=14)


def _placed(marks: Sequence[Mark]) -> list[tuple[int, int]]:
    """Return (number, level) of each bracket; brackets that would touch go a level lower."""
    drawn = [n for n, mark in enumerate(marks, 1) if 0 < mark[0] <= COLUMNS]
    ends: list[float] = []
    placed = []
    for number in sorted(drawn, key=lambda n: marks[n - 1][:2]):
        left, right = _reach(marks[number - 1])
        level = next((i for i, end in enumerate(ends) if end <= left), len(ends))
        ends[level : level + 1] = [right]
        placed.append((number, level))
    return placed


def _reach(mark: Mark) -> tuple[float, float]:
    first, last = column_centre(mark[0]), column_centre(min(mark[1], COLUMNS))
    middle = (first + last) / 2
    return min(first - 28, middle - _RING - 10), max(last + 28, middle + _RING + 10)


def _bracket(number: int, mark: Mark, level: int) -> Iterator[Shape]:
    """Yield the bracket under marked columns, with the number of their sentence in a ring."""
    left = column_centre(mark[0]) - HOLE_WIDTH / 2
    right = column_centre(min(mark[1], COLUMNS)) + HOLE_WIDTH / 2
    middle, top = (left + right) / 2, HEIGHT + 30 + level * _LEVEL
    run = ((left, top - 24), (left, top), (right, top), (right, top - 24))
    ring = top + 85
    yield Lines((run,), PAGE_INK, 14)
    yield Lines((((middle, ring),),), PAGE_INK, 14, _RING)
    yield Words(((middle, ring + 31, str(number)),), 86, PAGE_INK, "middle", bold=True)


def _sentences(marks: Sequence[Mark]) -> Iterator[tuple[str, str]]:
    """Yield (number, text) of each line below the card; number is empty on further lines."""
    for number, mark in enumerate(marks, 1):
        text = said(mark)
        for place, line in enumerate(textwrap.wrap(text, _LETTERS_A_LINE)):
            yield (str(number) if not place else "", line)


def _noted(notes: Sequence[str]) -> Iterator[tuple[str, str]]:
    for note in notes:
        for place, line in enumerate(textwrap.wrap(shown(note), _LETTERS_A_LINE)):
            yield ("\u2013" if not place else "", line)


def _shortened(lines: list[tuple[str, str]], most: int | None) -> list[tuple[str, str]]:
    if most is None or len(lines) <= most:
        return lines
    left_out = len(lines) - most + 1
    return [*lines[: most - 1], ("", f"\u2026 and {left_out} lines more than this page has room")]


def _explained(lines: list[tuple[str, str]], top: float) -> Iterator[Words]:
    downs = [top + 40 + place * _LINE for place in range(1, len(lines) + 1)]
    numbers = ((0, down, number) for down, (number, _) in zip(downs, lines, strict=True) if number)
    texts = tuple((190, down, line) for down, (_, line) in zip(downs, lines, strict=True))
    if numbered := tuple(numbers):
        yield Words(numbered, 130, PAGE_INK, bold=True)
    if texts:
        yield Words(texts, 130, PAGE_INK)

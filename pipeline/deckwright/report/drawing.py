"""Draw one card as SVG: its holes to scale, its printed line, its faulty columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from deckwright.report.model import Mark

# Thousandths of an inch, in which every figure is a whole number. Card 7.375 x 3.250 in: ANSI/AIIM
# MS41-1996, clause 4.3.1, citing ANSI X3.11. Holes 0.055 x 0.125 in, 0.087 and 0.250 in apart: FIPS
# PUB 13 / ANSI X3.21-1967, second hand. Column 1 and row 12 follow from centring the block of
# holes; the corner cut (60 degrees, ANSI X3.11) is from memory.
WIDTH, HEIGHT = 7375, 3250
COLUMN_PITCH, ROW_PITCH = 87, 250
HOLE_WIDTH, HOLE_HEIGHT = 55, 125
FIRST_COLUMN, FIRST_ROW = 251, 250
CUT_ALONG, CUT_DOWN = 250, 433

COLUMNS = 80
ROWS = (12, 11, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9)

UNPRINTABLE = "\u25af"
"""Printed for a character that cannot be shown."""

_MONO = "ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace"
_SANS = "system-ui,'DejaVu Sans',Verdana,sans-serif"
_PAPER, _BAND, _EDGE, _DOT, _INK, _MARK = (
    "#faf6ea",
    "#f1ead6",
    "#5b5546",
    "#c9bf9f",
    "#1b1a17",
    "#8c1c13",
)
_RING = 62
_LEVEL = 190
_LINE = 180
_LETTERS_A_LINE = 96


def draw_card(
    patterns: NDArray[np.uint16],
    text: str = "",
    marks: Sequence[Mark] = (),
    *,
    title: str = "",
    ident: str = "card",
) -> str:
    """Return one card as an SVG drawing of true proportions, made for print as for the screen.

    Faulty columns are hatched and bracketed and carry the number of their sentence below the card,
    so that nothing hangs on colour. Brackets and sentences take the colour of the page's text.

    Args:
        patterns: uint16 (80), the holes of each column; row 12 is 0x800, row 9 is 0x001.
        text: the printed line, one character a column.
        marks: first and last column at fault, from 1, with a sentence each; (0, 0, sentence) for
            the card as a whole.
        title: name of the drawing for those who do not see it.
        ident: prefix of the ids in the drawing, different for each drawing on a page.

    Raises:
        ValueError: the patterns are not those of 80 columns.
    """
    if patterns.shape != (COLUMNS,):
        msg = f"a drawn card has {COLUMNS} columns (got patterns of shape {patterns.shape})"
        raise ValueError(msg)
    places = _placed(marks)
    lines = list(_sentences(marks))
    depth = max((level for _, level in places), default=-1) + 1
    below = 20 + _LEVEL * depth if depth else 0
    height = HEIGHT + below + (_LINE * len(lines) + 60 if lines else 0)
    parts = [
        _opening(height),
        f"<title>{escape(_shown(title))}</title>" if title else "",
        _defs(ident),
        _paper(ident),
        *(_band(first, last, ident) for first, last in _ranges(marks)),
        _holes(patterns),
        _printed(text),
        *(_bracket(number, marks[number - 1], level) for number, level in places),
        *_explained(lines, HEIGHT + below),
        "</svg>",
    ]
    return "".join(parts)


def column_centre(column: int) -> int:
    """Return the distance of a column's centre (from 1) from the left edge, in 1/1000 inch."""
    return FIRST_COLUMN + (column - 1) * COLUMN_PITCH


def _opening(height: int) -> str:
    wide, high = WIDTH + 40, height + 40
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="-20 -20 {wide} {high}" '
        f'width="{wide * 0.0254:.3f}mm" height="{high * 0.0254:.3f}mm">'
    )


def _defs(ident: str) -> str:
    """Return the dot grid of unpunched places and the hatch of faulty columns."""
    left, top = FIRST_COLUMN - COLUMN_PITCH / 2, FIRST_ROW - ROW_PITCH // 2
    return (
        f'<defs><pattern id="{ident}-grid" x="{left}" y="{top}" width="{COLUMN_PITCH}" '
        f'height="{ROW_PITCH}" patternUnits="userSpaceOnUse">'
        f'<path d="M43.5 109v32" stroke="{_DOT}" stroke-width="9"/></pattern>'
        f'<pattern id="{ident}-hatch" width="44" height="44" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path d="M0 0v44" stroke="{_MARK}" stroke-width="15"/>'
        "</pattern></defs>"
    )


def _paper(ident: str) -> str:
    """Return the card itself: outline with its cut corner, bands of ten columns, row names."""
    outline = f"M{CUT_ALONG} 0H{WIDTH}V{HEIGHT}H0V{CUT_DOWN}Z"
    bands = "".join(
        f"M{column_centre(first) - 43.5} 125h{10 * COLUMN_PITCH}v3000h-{10 * COLUMN_PITCH}z"
        for first in range(11, COLUMNS, 20)
    )
    left, width = column_centre(1) - 43.5, COLUMNS * COLUMN_PITCH
    names = "".join(
        f'<text x="205" y="{FIRST_ROW + place * ROW_PITCH + 26}">{row}</text>'
        for place, row in enumerate(ROWS)
    )
    numbers = "".join(
        f'<text x="{column_centre(column)}" y="3212">{column}</text>'
        for column in (1, *range(10, COLUMNS + 1, 10))
    )
    return (
        f'<path d="{outline}" fill="{_PAPER}" stroke="{_EDGE}" stroke-width="14"/>'
        f'<path d="{bands}" fill="{_BAND}"/>'
        f'<path d="M{left} 125h{width}v3000h-{width}z" fill="url(#{ident}-grid)"/>'
        f'<g font-family="{_SANS}" font-size="72" fill="{_EDGE}"><g text-anchor="end">{names}</g>'
        f'<g text-anchor="middle">{numbers}</g></g>'
    )


def _holes(patterns: NDArray[np.uint16]) -> str:
    """Return all holes as one path: for each row a broken line as thick as a hole is high."""
    strokes: list[str] = []
    for place in range(len(ROWS)):
        columns = np.flatnonzero(patterns & (0x800 >> place)).tolist()
        strokes.extend(_row_strokes(columns, FIRST_ROW + place * ROW_PITCH))
    if not strokes:
        return ""
    return (
        f'<path d="{"".join(strokes)}" fill="none" stroke="{_INK}" stroke-width="{HOLE_HEIGHT}"/>'
    )


def _row_strokes(columns: list[int], height: int) -> Iterator[str]:
    previous: int | None = None
    for column in columns:  # from 0
        if previous is None:
            yield f"M{column_centre(column + 1) - HOLE_WIDTH / 2} {height}"
        else:
            yield f"m{(column - previous) * COLUMN_PITCH - HOLE_WIDTH} 0"
        yield f"h{HOLE_WIDTH}"
        previous = column


def _printed(text: str) -> str:
    """Return the printed line, each character over the middle of its own column."""
    shown = _shown(text[:COLUMNS])
    places = [column for column, character in enumerate(shown, 1) if character != " "]
    if not places:
        return ""
    at = " ".join(str(column_centre(column)) for column in places)
    letters = escape("".join(shown[column - 1] for column in places))
    return (
        f'<text x="{at}" y="122" text-anchor="middle" font-family="{_MONO}" font-size="104" '
        f'fill="{_INK}">{letters}</text>'
    )


def _shown(text: str) -> str:
    """Return text with a sign in place of each character that cannot be printed."""
    return "".join(c if c.isprintable() and c != "\ufffd" else UNPRINTABLE for c in text)


def _ranges(marks: Sequence[Mark]) -> list[tuple[int, int]]:
    """Return the marked columns, each range once and within the card."""
    ranges = dict.fromkeys((first, min(last, COLUMNS)) for first, last, _ in marks if first > 0)
    return [pair for pair in ranges if pair[0] <= COLUMNS]


def _band(first: int, last: int, ident: str) -> str:
    left = column_centre(first) - COLUMN_PITCH / 2
    width = (last - first + 1) * COLUMN_PITCH
    return (
        f'<path d="M{left} 125h{width}v3000h-{width}z" fill="url(#{ident}-hatch)" '
        f'fill-opacity=".55" stroke="{_MARK}" stroke-width="14"/>'
    )


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


def _bracket(number: int, mark: Mark, level: int) -> str:
    """Return the bracket under marked columns, with the number of their sentence in a ring."""
    left = column_centre(mark[0]) - HOLE_WIDTH / 2
    right = column_centre(min(mark[1], COLUMNS)) + HOLE_WIDTH / 2
    middle, top = (left + right) / 2, HEIGHT + 30 + level * _LEVEL
    ring = top + 85
    return (
        f'<g stroke="currentColor" stroke-width="14" fill="none">'
        f'<path d="M{left} {top - 24}v24H{right}v-24"/>'
        f'<circle cx="{middle}" cy="{ring}" r="{_RING}"/></g>'
        f'<text x="{middle}" y="{ring + 31}" text-anchor="middle" font-family="{_SANS}" '
        f'font-size="86" font-weight="bold" fill="currentColor">{number}</text>'
    )


def _sentences(marks: Sequence[Mark]) -> Iterator[tuple[str, str]]:
    """Return (number, text) of each line below the card; number is empty on further lines."""
    for number, (first, last, sentence) in enumerate(marks, 1):
        if first <= 0:
            where = "card"
        elif first == last:
            where = f"column {first}"
        else:
            where = f"columns {first}\u2013{last}"
        text = f"{where}: {_shown(sentence)}"
        for place, line in enumerate(textwrap.wrap(text, _LETTERS_A_LINE)):
            yield (str(number) if not place else "", line)


def _explained(lines: list[tuple[str, str]], top: int) -> Iterator[str]:
    for place, (number, line) in enumerate(lines, 1):
        height = top + 40 + place * _LINE
        if number:
            yield (
                f'<text x="0" y="{height}" font-family="{_SANS}" '
                f'font-size="130" font-weight="bold" fill="currentColor">{number}</text>'
            )
        yield (
            f'<text x="190" y="{height}" font-family="{_SANS}" font-size="130" '
            f'fill="currentColor">{escape(line)}</text>'
        )

"""Draw a card with characters, for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from deckwright.report.drawing import COLUMNS, ROWS, UNPRINTABLE, shown, where
from deckwright.report.model import CardLine, FieldSpan

HOLE, NO_HOLE = "\u25ae", "\u00b7"

_SIDE = 5  # row name, blank, edge; edge on the right
_PLAIN = str.maketrans(
    {HOLE: "#", NO_HOLE: ".", UNPRINTABLE: "?", "\u2013": "-", "\u2423": "_", "\u2026": "...",
     "\u2500": "-", "\u2502": "|", "\u250c": "/", "\u2510": "+", "\u2514": "+", "\u2518": "+"}
)  # fmt: skip


def card_lines(card: CardLine, width: int = 100, *, plain: bool = False) -> list[str]:
    """Return a card as lines of text; in two halves where it is wider than the terminal.

    Args:
        card: a card with patterns.
        width: columns of the terminal.
        plain: use ASCII where a character of the drawing lies outside it.
    """
    a_part = COLUMNS if width >= COLUMNS + _SIDE else COLUMNS // 2
    lines = [shown(card.full_name)]
    for first in range(1, COLUMNS + 1, a_part):
        lines += _part(card, first, first + a_part - 1)
    lines += _said(card, max(40, min(width, COLUMNS + _SIDE)))
    if not plain:
        return lines
    return [line.translate(_PLAIN).encode("ascii", "replace").decode() for line in lines]


def _part(card: CardLine, first: int, last: int) -> Iterator[str]:
    assert card.patterns is not None  # noqa: S101 # as the callers see to
    yield from _fields(card.fields, first, last)
    rule = "\u2500" * (last - first + 1)
    yield f"   \u250c{rule}\u2510"
    yield f"   \u2502{shown(card.text.ljust(COLUMNS))[first - 1 : last]}\u2502"
    part = card.patterns[first - 1 : last].tolist()
    for place, row in enumerate(ROWS):
        holes = "".join(HOLE if pattern & (0x800 >> place) else NO_HOLE for pattern in part)
        yield f"{row:>2} \u2502{holes}\u2502"
    yield f"   \u2514{rule}\u2518"
    yield f"    {''.join(_tick(column) for column in range(first, last + 1))}"
    carets = [" "] * (last - first + 1)
    for number, (start, end, _) in enumerate(card.marks, 1):
        for column in range(max(start, first, 1), min(end, last) + 1):
            carets[column - first] = str(number % 10)
    under = "".join(carets).rstrip()
    if under:
        yield f"    {under}"


def _tick(column: int) -> str:
    if column % 10:
        return ":" if column % 5 == 0 else " "
    return str(column // 10 % 10)


def _fields(fields: Sequence[FieldSpan], first: int, last: int) -> Iterator[str]:
    """Yield a line with the first column of each field marked, and its name as far as it fits."""
    cells = [" "] * (last - first + 1)
    for start, end, name in fields:
        left, right = max(start, first), min(end, last)
        if left <= right:
            width = right - left + 1
            cells[left - first : right - first + 1] = f"\u2502{shown(name)}"[:width].ljust(width)
    if fields:
        yield f"    {''.join(cells).rstrip()}"


def _said(card: CardLine, width: int) -> Iterator[str]:
    for number, mark in enumerate(card.marks, 1):
        text = f"{where(mark)}: {shown(mark[2])}"
        yield from textwrap.wrap(
            text, width, initial_indent=f"{number:>2}  ", subsequent_indent="    "
        )
    if card.fields:
        spans = (f"{shown(name)} {_columns(first, last)}" for first, last, name in card.fields)
        legend = f"fields: {', '.join(spans)}"
        yield from textwrap.wrap(legend, width, initial_indent="    ", subsequent_indent="    ")
    for note in card.notes:
        yield from textwrap.wrap(
            shown(note), width, initial_indent="    ", subsequent_indent="    "
        )


def _columns(first: int, last: int) -> str:
    return str(first) if first == last else f"{first}\u2013{last}"

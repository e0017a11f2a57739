"""Draw a card with characters, for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from deckwright.report.drawing.cards import COLUMNS, ROWS, said
from deckwright.report.model import CardLine, FieldSpan
from deckwright.report.signs import UNPRINTABLE, shown

HOLE, NO_HOLE = "\u25ae", "\u00b7"

_SIDE = 5  # row name, blank, edge; edge on the right
_PLAIN = str.maketrans(
    {HOLE: "#", NO_HOLE: ".", UNPRINTABLE: "?", "\u2013": "-", "\u2423": "_", "\u2026": "...",
     "\u2500": "-", "\u2502": "|", "\u250c": "/", "\u2510": "+", "\u2514": "+", "\u2518": "+"}
)  # fmt: skip


def card_lines(
    card: CardLine, width: int = 100, *, plain: bool = False, legend: bool = True
) -> list[str]:
    """Return a card as lines of text; in two halves where it is wider than the terminal.

    Columns at its end that hold nothing are left out where they do not fit.

    Args:
        card: a card with patterns.
        width: columns of the terminal.
        plain: use ASCII where a character of the drawing lies outside it.
        legend: list the fields below.
    """
    used = _last_used(card)
    lines = textwrap.wrap(shown(card.full_name), width)
    if used + _SIDE <= width:
        lines += _part(card, 1, min(COLUMNS, width - _SIDE))
    else:
        half = COLUMNS // 2
        lines += _part(card, 1, half)
        if used > half:
            lines += _part(card, half + 1, COLUMNS)
    lines += _said(card, max(40, min(width, COLUMNS + _SIDE)), legend=legend)
    if not plain:
        return lines
    return [line.translate(_PLAIN).encode("ascii", "replace").decode() for line in lines]


def _last_used(card: CardLine) -> int:
    """Return the last column (from 1) that holds anything or is at fault."""
    assert card.patterns is not None  # noqa: S101 # as the callers see to
    holes = max(
        (place for place, holes in enumerate(card.patterns.tolist(), 1) if holes), default=0
    )
    return max(holes, len(card.text.rstrip()), *(min(end, COLUMNS) for _, end, _ in card.marks), 1)


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
    """Yield a line with the first column of each field marked, and its name where it fits.

    Where it does not, its number in the list of fields stands for it.
    """
    cells = [" "] * (last - first + 1)
    for number, (start, end, name) in enumerate(fields, 1):
        left, right = max(start, first), min(end, last)
        if left <= right:
            width = right - left + 1
            said = next((t for t in (shown(name), str(number), "") if len(t) < width), "")
            cells[left - first : right - first + 1] = f"\u2502{said}".ljust(width)
    if fields:
        yield f"    {''.join(cells).rstrip()}"


def _said(card: CardLine, width: int, *, legend: bool) -> Iterator[str]:
    for number, mark in enumerate(card.marks, 1):
        text = said(mark)
        yield from textwrap.wrap(
            text, width, initial_indent=f"{number:>2}  ", subsequent_indent="    "
        )
    if card.fields and legend:
        spans = (
            f"{number} {shown(name)} {_columns(first, last)}"
            for number, (first, last, name) in enumerate(card.fields, 1)
        )
        listed = f"fields: {', '.join(spans)}"
        yield from textwrap.wrap(listed, width, initial_indent="    ", subsequent_indent="    ")
    for note in card.notes:
        yield from textwrap.wrap(
            shown(note), width, initial_indent="    ", subsequent_indent="    "
        )


def _columns(first: int, last: int) -> str:
    return str(first) if first == last else f"{first}\u2013{last}"

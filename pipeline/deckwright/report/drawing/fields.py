"""The fields of a layout above a drawn card: a bracket over the columns of each, and its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.reading import Layout
from deckwright.report.drawing.scene import PAGE_INK, Lines, Point, Shape, Words
from deckwright.report.model import FieldSpan

COLUMNS = 80

_SIZE = 84
_LETTER = 0.62 * _SIZE  # how wide a letter is, at most on average
_TICK = 24
_LONGEST = 40


def fields_of(layout: Layout, text: NDArray[np.uint8]) -> list[tuple[FieldSpan, ...]]:
    """Return the fields of each card, by its type; none for a card of no known type.

    Args:
        layout: the layout.
        text: uint8 (n, L), internal bytes of the cards.
    """
    spans = [
        tuple((*one.span, one.name) for one in fields) for _, fields in layout.spec.card_fields()
    ]
    wide = np.full((len(text), max(layout.width, text.shape[1])), ord(" "), np.uint8)
    wide[:, : text.shape[1]] = text
    return [spans[place] if place >= 0 else () for place in layout.card_types(wide).tolist()]


def field_brackets(
    fields: Sequence[FieldSpan], centre: Callable[[int], int]
) -> tuple[float, list[Shape]]:
    """Return the height that the fields take above the card, and their shapes.

    A name that is wider than its columns is turned, to be read from below. Fields that share
    columns stand one above the other. Columns beyond the card are left out.

    Args:
        fields: first and last column, from 1, and name.
        centre: gives the middle of a column.
    """
    shapes: list[Shape] = []
    height = 0.0
    for level in _levels([one for one in fields if 0 < one[0] <= COLUMNS]):
        shapes += _level(level, -height - 34, centre)
        tallest = max(_LETTER * len(_name(one)) if _turned(one) else _SIZE for one in level)
        height += 34 + tallest + 40
    return height, shapes


def _levels(fields: Sequence[FieldSpan]) -> list[list[FieldSpan]]:
    levels: list[list[FieldSpan]] = []
    for field in sorted(fields, key=lambda one: (one[0], -one[1])):
        free = next((level for level in levels if level[-1][1] < field[0]), None)
        if free is None:
            levels.append([field])
        else:
            free.append(field)
    return levels


def _level(
    fields: Sequence[FieldSpan], down: float, centre: Callable[[int], int]
) -> Iterator[Shape]:
    spans = [(centre(first) - 34, centre(min(last, COLUMNS)) + 34) for first, last, _ in fields]
    yield Lines(tuple(_run(left, right, down) for left, right in spans), PAGE_INK, 12)
    flat, turned = [], []
    for (left, right), one in zip(spans, fields, strict=True):
        middle = (left + right) / 2
        if _turned(one):
            turned.append((middle + 0.36 * _SIZE, down - 22, _name(one)))
        else:
            flat.append((middle, down - 26, _name(one)))
    if flat:
        yield Words(tuple(flat), _SIZE, PAGE_INK, "middle")
    if turned:
        yield Words(tuple(turned), _SIZE, PAGE_INK, upwards=True)


def _run(left: float, right: float, down: float) -> tuple[Point, ...]:
    return (left, down + _TICK), (left, down), (right, down), (right, down + _TICK)


def _turned(field: FieldSpan) -> bool:
    columns = min(field[1], COLUMNS) - field[0] + 1
    return len(_name(field)) * _LETTER > columns * 87


def _name(field: FieldSpan) -> str:
    name = field[2]
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}\u2026"

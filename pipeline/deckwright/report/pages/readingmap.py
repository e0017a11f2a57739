"""Maps of the 960 places of a deck's cards: how doubtful each is, and how often it is punched."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from deckwright.report.drawing.cards import (
    BAND,
    COLUMN_PITCH,
    COLUMNS,
    CUT_ALONG,
    CUT_DOWN,
    EDGE,
    FIRST_ROW,
    HEIGHT,
    INK,
    PAPER,
    ROW_PITCH,
    ROWS,
    WIDTH,
    column_centre,
)
from deckwright.report.drawing.svg import SANS
from deckwright.report.figures import count, plain
from deckwright.wording import percent, plural

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

STEPS = (0.0003, 0.001, 0.003, 0.01, 0.03, 0.1)
"""Where one shade of doubt ends and the next begins."""

# each shade is darker than the one before and its mark is larger: either alone tells them apart
_SHADES = ("#ddd3b6", "#b4c4b0", "#82a9a0", "#548a8a", "#32686d", "#1a464f", "#08262e")
_SIZES = ((18, 40), (30, 76), (42, 112), (54, 142), (64, 172), (72, 196), (78, 216))
_FRAME = (81, 226)

_TEXT = 84
_RIGHT = 560
_BARS = 560
_BAR_TOP = HEIGHT + 330
_LEAST_BAR = 14


def doubt_map(doubt: Floats, unsure: Counts) -> str:
    """Return a card with each of its places shaded by doubt, framed where a reading was unsure.

    Args:
        doubt: float64 (12, 80), mean over the cards of the smaller of a place's two probabilities.
        unsure: int64 (12, 80), on how many cards the place is unsure.
    """
    steps = np.digitize(np.nan_to_num(doubt, nan=1.0), STEPS)
    below = _column_bars(unsure) if unsure.any() else ""
    title = "The 960 places of a card, shaded by doubt"
    return (
        _opening(title, _BAR_TOP + _BARS + 40 if below else HEIGHT + 20)
        + _card()
        + "".join(_shaded(steps))
        + _framed(unsure)
        + _row_sums(unsure)
        + below
        + _hints(doubt, unsure)
        + "</svg>"
    )


def doubt_scale() -> str:
    """Return the scale of the map of doubt, with numbers."""
    edges = [f"{100 * step:g} %" for step in STEPS]
    words = [f"below {edges[0]}", *(f"from {edge}" for edge in edges)]
    items = [
        f'<span><svg viewBox="0 0 84 226" width="10" height="27" aria-hidden="true">'
        f'<path d="{_mark(42, 113, size)}" fill="{shade}"/></svg> {word}</span>'
        for shade, size, word in zip(_SHADES, _SIZES, words, strict=True)
    ]
    items.append(
        '<span><svg viewBox="0 0 84 226" width="10" height="27" aria-hidden="true">'
        f'<path d="{_mark(42, 113, (72, 216))}" fill="none" stroke="{INK}" stroke-width="12"/>'
        "</svg> framed: unsure on at least one card</span>"
    )
    return f'<p class="legend steps">{"".join(items)}</p>'


def holes_map(holes: Floats) -> str:
    """Return a card with each place filled from below by the share of cards punched there.

    Args:
        holes: float64 (12, 80), shares from 0 to 1.
    """
    shares = np.clip(np.nan_to_num(holes), 0, 1)
    wide, high = 61, 190
    grid, filled = [], []
    for row, column in np.ndindex(shares.shape):
        left = column_centre(column + 1) - wide / 2
        foot = FIRST_ROW + row * ROW_PITCH + high / 2
        grid.append(f"M{left} {foot:g}h{wide}")
        share = float(shares[row, column])
        if share > 0:
            # what is rare must be seen too
            tall = round(max(_LEAST_BAR, share * high))
            filled.append(f"M{left} {foot - tall:g}h{wide}v{tall}h-{wide}z")
    title = "How often each of the 960 places is punched"
    return (
        f"{_opening(title, HEIGHT + 20)}{_card()}"
        f'<path d="{"".join(grid)}" stroke="{EDGE}" stroke-width="8"/>'
        f'<path d="{"".join(filled)}" fill="{_SHADES[-2]}"/>{_row_shares(shares)}</svg>'
    )


def place_name(row: int, column: int) -> str:
    """Return the name of a place; row is its place from the top, from 0, column from 0."""
    return f"column {column + 1}, row {ROWS[row]}"


def _opening(title: str, height: int) -> str:
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" role="img" class="map" '
        f'viewBox="-20 -20 {WIDTH + _RIGHT} {height + 40}"><title>{title}</title>'
    )


def _card() -> str:
    """Return the card's outline, bands of ten columns, and the names of rows and columns."""
    half = COLUMN_PITCH / 2
    bands = "".join(
        f"M{column_centre(first) - half} 125h{10 * COLUMN_PITCH}v3000h-{10 * COLUMN_PITCH}z"
        for first in range(11, COLUMNS, 20)
    )
    names = "".join(
        f'<text x="196" y="{FIRST_ROW + place * ROW_PITCH + 30}">{row}</text>'
        for place, row in enumerate(ROWS)
    )
    return (
        f'<path d="M{CUT_ALONG} 0H{WIDTH}V{HEIGHT}H0V{CUT_DOWN}Z" fill="{PAPER}" stroke="{EDGE}" '
        f'stroke-width="14"/><path d="{bands}" fill="{BAND}"/>'
        f'<g font-family="{SANS}" font-size="{_TEXT}" fill="{EDGE}"><g text-anchor="end">{names}'
        f'</g><g text-anchor="middle">{_column_names(3222)}{_column_names(112)}</g></g>'
    )


def _column_names(height: int) -> str:
    first = 1 if height > HEIGHT / 2 else 10  # the cut corner is above column 1
    return "".join(
        f'<text x="{column_centre(column)}" y="{height}">{column}</text>'
        for column in dict.fromkeys((first, *range(10, COLUMNS + 1, 10)))
    )


def _mark(along: float, down: float, size: tuple[int, int]) -> str:
    wide, high = size
    return f"M{along - wide / 2:g} {down - high / 2:g}h{wide}v{high}h-{wide}z"


def _at(row: int, column: int) -> tuple[float, float]:
    return column_centre(column + 1), FIRST_ROW + row * ROW_PITCH


def _shaded(steps: NDArray[np.int64]) -> Iterator[str]:
    for step, (shade, size) in enumerate(zip(_SHADES, _SIZES, strict=True)):
        places = np.argwhere(steps == step).tolist()
        if places:
            path = "".join(_mark(*_at(row, column), size) for row, column in places)
            yield f'<path d="{path}" fill="{shade}"/>'


def _framed(unsure: Counts) -> str:
    places = np.argwhere(unsure > 0).tolist()
    path = "".join(_mark(*_at(row, column), _FRAME) for row, column in places)
    return f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="11"/>' if path else ""


def _hints(doubt: Floats, unsure: Counts) -> str:
    """Return for each framed place what a pointer held over it tells."""
    return "".join(
        f'<path d="{_mark(*_at(row, column), _FRAME)}" fill-opacity="0"><title>'
        f"{place_name(row, column)}: unsure on {plural(int(unsure[row, column]), 'card')}, mean "
        f"doubt {plain(percent(float(doubt[row, column])))}</title></path>"
        for row, column in np.argwhere(unsure > 0).tolist()
    )


def _row_sums(unsure: Counts) -> str:
    words = [count(int(number)) for number in unsure.sum(axis=1)]
    return _beside("unsure", words)


def _row_shares(shares: Floats) -> str:
    return _beside("holes", [f"{number:.2g}" for number in shares.sum(axis=1)])


def _beside(head: str, words: list[str]) -> str:
    """Return a figure for each row at the right of the card."""
    right = WIDTH + _RIGHT - 60
    lines = "".join(
        f'<text x="{right}" y="{FIRST_ROW + place * ROW_PITCH + 36}">{word}</text>'
        for place, word in enumerate(words)
    )
    return (
        f'<g font-family="{SANS}" font-size="{_TEXT + 16}" text-anchor="end" fill="currentColor">'
        f'<text x="{right}" y="104" font-size="{_TEXT}">{head}</text>{lines}</g>'
    )


def _column_bars(unsure: Counts) -> str:
    """Return a bar for each column: how often any of its places was unsure."""
    sums = unsure.sum(axis=0)
    most = int(sums.max())
    bars = "".join(
        f"M{column_centre(column + 1) - 28} {_BAR_TOP + _BARS}"
        f"v-{max(_LEAST_BAR, round(_BARS * int(sums[column]) / most))}h56V{_BAR_TOP + _BARS}z"
        for column in np.flatnonzero(sums).tolist()
    )
    left, right = column_centre(1) - COLUMN_PITCH, column_centre(COLUMNS) + COLUMN_PITCH
    lines = "".join(
        f'<path d="M{left} {height}H{right}" stroke="currentColor" stroke-width="8" '
        f'stroke-opacity=".45"/><text x="{left - 20}" y="{height + 32}">{count(number)}</text>'
        for number, height in ((most, _BAR_TOP), (0, _BAR_TOP + _BARS))
    )
    return (
        f'<g font-family="{SANS}" font-size="{_TEXT + 10}" fill="currentColor">'
        f'<text x="{left}" y="{_BAR_TOP - 60}">Unsure places of each column, all cards together'
        f'</text><g text-anchor="end">{lines}</g><path d="{bars}"/></g>'
    )

"""The picture of a deck's columns: a bar a column, by what stands in it, as SVG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from markupsafe import Markup

from deckwright.examine.model import (
    BLANK,
    CLASSES,
    DIGIT,
    ILLEGAL,
    LETTER,
    MULTI,
    SPECIAL,
    Columns,
    Guess,
)
from deckwright.report.html import drawn
from deckwright.wording import percent

ACROSS = 80
"""Columns of one row of bars."""

MOST_ROWS = 10

LETTERS = {BLANK: ".", DIGIT: "D", LETTER: "L", SPECIAL: "S", MULTI: "M", ILLEGAL: "X"}
"""One letter for each class, for where there are no colours."""

_PITCH, _BAR, _HIGH = 12, 10.4, 170
_LEFT, _TOP = 44, 8
_DIGIT = 7.6  # how wide a figure of a field number is
_ORDER = (DIGIT, LETTER, SPECIAL, MULTI, ILLEGAL)
_MOSTLY = 0.5

# apart in lightness as well as in hue, and each with a texture of its own for black and white
_FILLS = {
    DIGIT: ("#1c5054", ""),
    LETTER: ("#d99a2b", '<path d="M0 0l6 6" stroke="#5b3c05" stroke-width="1.1"/>'),
    SPECIAL: ("#b9c7d9", '<path d="M0 3h6" stroke="#33475f" stroke-width="1.1"/>'),
    MULTI: ("#7a5ea8", '<circle cx="3" cy="3" r="1.2" fill="#fff"/>'),
    ILLEGAL: ("#fff", '<path d="M0 0l6 6M6 0l-6 6" stroke="#8c1c13" stroke-width="1.3"/>'),
}


@dataclass(frozen=True, slots=True)
class ColumnsPicture:
    """The bars of all columns: a legend, rows of 80 columns, columns that are not drawn."""

    legend: Markup
    rows: Sequence[Markup]
    left: int


def columns_picture(columns: Columns, guesses: Sequence[Guess] = ()) -> ColumnsPicture:
    """Return the bars of all columns, with guessed fields bracketed below."""
    width = len(columns.classes)
    rows = min(MOST_ROWS, -(-width // ACROSS))
    parts = [drawn(_row(columns, guesses, row)) for row in range(rows)]
    return ColumnsPicture(drawn(_legend()), parts, max(0, width - rows * ACROSS))


def fields_strip(guesses: Sequence[Guess], width: int) -> str:
    """Return the fields of one card type as brackets over a ruler of at most 80 columns."""
    wide = _LEFT + ACROSS * _PITCH + 4
    ruler = _ticks(0, min(width, ACROSS))
    brackets = "".join(_brackets(guesses, 0, min(width, ACROSS)))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" class="strip" '
        f'viewBox="0 {_TOP + _HIGH + 18} {wide} 55"><title>The fields along the card</title>'
        f"{ruler}{brackets}</svg>"
    )


def class_letters(columns: Columns) -> str:
    """Return one letter a column: what stands there mostly; lower case if only sometimes filled."""
    letters = []
    for counts in columns.classes.tolist():
        filled = sum(counts) - counts[BLANK]
        if not filled:
            letters.append(LETTERS[BLANK])
            continue
        most = max(_ORDER, key=lambda place: counts[place])
        letter = LETTERS[most]
        letters.append(letter if filled >= _MOSTLY * sum(counts) else letter.lower())
    return "".join(letters)


def _legend() -> str:
    box = '<rect x=".5" y=".5" width="17" height="11"'
    items = "".join(
        '<span><svg viewBox="0 0 18 12" width="18" height="12" aria-hidden="true">'
        f'{_defs("k", place)}{box} fill="{_FILLS[place][0]}" stroke="#5b5546"/>'
        f'{box} fill="url(#k{place})"/></svg> {CLASSES[place]} <b>{LETTERS[place]}</b></span>'
        for place in _ORDER
    )
    return (
        f'<p class="legend">{items}<span>the rest is blank; a small letter: filled on less than '
        "half of the cards</span></p>"
    )


def _defs(prefix: str, place: int) -> str:
    texture = _FILLS[place][1]
    return (
        f'<defs><pattern id="{prefix}{place}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f"{texture}</pattern></defs>"
        if texture
        else f'<defs><pattern id="{prefix}{place}" width="6" height="6"/></defs>'
    )


def _row(columns: Columns, guesses: Sequence[Guess], row: int) -> str:
    first = row * ACROSS
    count = min(ACROSS, len(columns.classes) - first)
    wide, high = _LEFT + ACROSS * _PITCH + 4, _TOP + _HIGH + 75
    name = f"Columns {first + 1} to {first + count}: what stands in them"
    letters = class_letters(columns)[first : first + count]
    opening = f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {wide} {high}" '
    parts = [
        f'{opening}class="bars"><title>{name}</title>',
        "".join(_defs(f"r{row}c", place) for place in _ORDER),
        _scale(wide),
        *_bars(columns, first, count, row),
        _letters(letters),
        _ticks(first, count),
        *_brackets(guesses, first, count),
        "</svg>",
    ]
    return "".join(parts)


def _scale(wide: int) -> str:
    marks = "".join(
        f'<path d="M{_LEFT - 3} {_TOP + _HIGH * (1 - part):.1f}H{wide - 4}" '
        'stroke="currentColor" stroke-opacity=".3"/>'
        f'<text x="{_LEFT - 6}" y="{_TOP + _HIGH * (1 - part) + 3:.1f}" text-anchor="end">'
        f"{percent(part)}</text>"
        for part in (0, 0.5, 1)
    )
    return f'<g font-size="12" fill="currentColor">{marks}</g>'


def _bars(columns: Columns, first: int, count: int, row: int) -> Iterator[str]:
    shares = columns.shares()[first : first + count]
    for place in _ORDER:
        boxes = []
        for column in range(count):
            share = shares[column][place]
            if share <= 0:
                continue
            below = sum(shares[column][other] for other in _ORDER[: _ORDER.index(place)])
            # what is rare must be seen too, so no part is thinner than a line
            tall = max(1.2, share * _HIGH)
            top = _TOP + _HIGH - below * _HIGH - tall
            boxes.append(
                f"M{_LEFT + column * _PITCH + 0.8:.1f} {top:.1f}h{_BAR}v{tall:.1f}h-{_BAR}z"
            )
        if boxes:
            path = "".join(boxes)
            yield f'<path d="{path}" fill="{_FILLS[place][0]}" stroke="#33312c" stroke-width=".4"/>'
            if _FILLS[place][1]:
                yield f'<path d="{path}" fill="url(#r{row}c{place})"/>'


def _letters(letters: str) -> str:
    at = " ".join(f"{_LEFT + place * _PITCH + 6}" for place in range(len(letters)))
    return (
        f'<text x="{at}" y="{_TOP + _HIGH + 15}" text-anchor="middle" font-size="12" '
        f'font-family="ui-monospace,monospace" fill="currentColor">{letters}</text>'
    )


def _ticks(first: int, count: int) -> str:
    numbers = "".join(
        f'<text x="{_LEFT + (column - first - 1) * _PITCH + 6}" y="{_TOP + _HIGH + 31}">'
        f"{column}</text>"
        for column in range(first + 1, first + count + 1)
        if column == first + 1 or column % 10 == 0
    )
    return f'<g font-size="12" text-anchor="middle" fill="currentColor">{numbers}</g>'


def _brackets(guesses: Sequence[Guess], first: int, count: int) -> Iterator[str]:
    ends = [0.0, 0.0]  # of the last number on each of two lines
    for number, guess in enumerate(guesses, 1):
        left, right = max(guess.first - 1, first), min(guess.last, first + count)
        if left >= right:
            continue
        start = _LEFT + (left - first) * _PITCH + 1
        end = _LEFT + (right - first) * _PITCH - 1
        top = _TOP + _HIGH + 38
        middle, half = (start + end) / 2, _DIGIT * len(str(number)) / 2
        # narrow fields side by side have their numbers on two lines
        line = 0 if middle - half > ends[0] else 1
        ends[line] = middle + half + 2
        title = escape(f"{guess.columns}: {guess.what}")
        yield (
            f'<g><title>{title}</title><path d="M{start} {top}v5H{end}v-5" fill="none" '
            f'stroke="currentColor"/><text x="{middle}" y="{top + 18 + 13 * line}" font-size="12" '
            f'text-anchor="middle" fill="currentColor">{number}</text></g>'
        )

"""Pictures within the reading report: a card, an enlarged column, a printed line."""

from __future__ import annotations

from collections.abc import Sequence

from deckwright.pictures.printed.lookalikes import differing
from deckwright.report.drawing.cards import (
    COLUMNS,
    FIRST_ROW,
    HEIGHT,
    ROW_PITCH,
    ROWS,
    WIDTH,
    column_centre,
)
from deckwright.report.drawing.embedding import Embedded, embedded
from deckwright.report.drawing.svg import MONO, SANS
from deckwright.report.figures import plain
from deckwright.wording import percent

HOLE_FROM, PAPER_TO = 0.97, 0.03
"""Between these two probabilities a place is drawn as unsure, as the reader of pictures does."""

_STROKE = 'stroke="currentColor" fill="none"'
_LEFT = 900
_CELL = 78


def card_picture(png: bytes, name: str) -> str:
    """Return the picture of a card as an image, or a box that says that there is none."""
    picture = embedded(png)
    if picture is None:
        return '<div class="none">no picture</div>'
    return (
        f'<img alt="{plain(name)}" width="{picture.width}" height="{picture.height}" '
        f'src="{picture.address}">'
    )


def column_picture(
    png: bytes, probability: Sequence[float], unsure: Sequence[bool], title: str
) -> str:
    """Return an enlarged column with a bar for each of its 12 places at the height of its row.

    Args:
        png: the column with its neighbours, over the whole height of a card.
        probability: 12 probabilities of a hole, rows 12, 11, 0 to 9.
        unsure: which of them are not safe; empty: those between the reader's two thresholds.
        title: for those who do not see it.
    """
    picture = embedded(png)
    across = round(HEIGHT * picture.width / picture.height) if picture else 0
    ticks = f"M{across / 2:g} -60v60M{across / 2:g} {HEIGHT}v60" if picture else ""
    shown = f'{_image(picture, 0, across, HEIGHT)}<path d="{ticks}" stroke-width="26" {_STROKE}/>'
    asked = unsure or [PAPER_TO < chance < HOLE_FROM for chance in probability]
    bars = "".join(
        _bar(across, row, chance, sure=not asked[row]) for row, chance in enumerate(probability)
    )
    left = across + 330
    scale = "".join(
        f'<path d="M{left + part * 8} 90v{HEIGHT - 190}" stroke-dasharray="{dashes}"/>'
        for part, dashes in ((0, "none"), (50, "24 40"), (100, "none"))
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" role="img" '
        f'viewBox="0 -70 {across + 1920} {HEIGHT + 140}"><title>{plain(title)}</title>{shown}'
        f'<g stroke="currentColor" stroke-width="9" stroke-opacity=".5" fill="none">{scale}</g>'
        f'<g font-family="{SANS}" font-size="124" fill="currentColor">{bars}</g></svg>'
    )


def _bar(across: int, row: int, chance: float, *, sure: bool) -> str:
    """Return one row: its name, its bar and its figure; what is unsure is hollow and asked."""
    middle = FIRST_ROW + row * ROW_PITCH
    wide = max(16.0, min(max(chance, 0.0), 1.0) * 800)
    fill = 'fill="currentColor"' if sure else 'fill="none" stroke="currentColor" stroke-width="24"'
    weight = "" if sure else ' font-weight="bold"'
    return (
        f'<text x="{across + 265}" y="{middle + 44}" text-anchor="end"{weight}>{ROWS[row]}</text>'
        f'<path d="M{across + 330} {middle - 58}h{wide:g}v116h-{wide:g}z" {fill}/>'
        f'<text x="{across + 1190}" y="{middle + 44}"{weight}>{plain(percent(chance))}'
        f"{'' if sure else ' ?'}</text>"
    )


def line_picture(png: bytes, read: str, seen: str, title: str) -> str:
    """Return a printed line above the characters punched and those recognised, column by column.

    What is recognised but not punched is boxed, and pointed at from below.

    Args:
        png: the strip along the card's top edge, over its whole length.
        read: the characters as punched.
        seen: the characters recognised, blank where nothing; "" if none was looked at.
        title: for those who do not see it.
    """
    picture = embedded(png)
    high = round(WIDTH * picture.height / picture.width) if picture else 0
    shown = _image(picture, _LEFT, WIDTH, high)
    rows = [(high / 2 + 30, "picture"), (high + 140, "punched")]
    letters = _letters(read, high + 140)
    marked = ""
    if seen:
        rows.append((high + 290, "printed"))
        letters += _letters(seen, high + 290)
        marked = "".join(_marked(column, high) for column in differing(read, seen))
    names = "".join(f'<text x="0" y="{height:g}">{name}</text>' for height, name in rows)
    below = high + (430 if marked else 330 if seen else 180)
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" role="img" class="line" '
        f'viewBox="0 0 {_LEFT + WIDTH} {below}"><title>{plain(title)}</title>{shown}'
        f'<g fill="currentColor"><g font-family="{SANS}" font-size="104">{names}</g>'
        f'<g font-family="{MONO}" font-size="118" text-anchor="middle">{letters}</g></g>{marked}'
        "</svg>"
    )


def _letters(text: str, height: int) -> str:
    places = [column for column, character in enumerate(text[:COLUMNS], 1) if character != " "]
    if not places:
        return ""
    at = " ".join(str(_LEFT + column_centre(column)) for column in places)
    letters = plain("".join(text[column - 1] for column in places))
    return f'<text x="{at}" y="{height}">{letters}</text>'


def _marked(column: int, high: int) -> str:
    """Return the box about two characters that differ, with a pointer below; column from 0."""
    middle = _LEFT + column_centre(column + 1)
    return (
        f'<path d="M{middle - _CELL / 2} {high + 40}h{_CELL}v280h-{_CELL}zM{middle} {high + 330}'
        f'l36 60h-72z" fill="none" stroke="currentColor" stroke-width="15"/>'
    )


def _image(picture: Embedded | None, left: int, wide: int, high: int) -> str:
    """Return a picture within a drawing, stretched to a size; nothing if there is none."""
    if picture is None:
        return ""
    return (
        f'<image x="{left}" width="{wide}" height="{high}" preserveAspectRatio="none" '
        f'href="{picture.address}"/>'
    )

"""The page of the returned cards of a run, small and by reason, beside the control sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from deckwright.report.drawing.cards import (
    COLUMN_PITCH,
    COLUMNS,
    CUT_ALONG,
    CUT_DOWN,
    EDGE,
    FIRST_COLUMN,
    FIRST_ROW,
    HATCHED,
    HEIGHT,
    HOLE_HEIGHT,
    HOLE_WIDTH,
    INK,
    MARK,
    PAPER,
    ROW_PITCH,
    ROWS,
    WIDTH,
    column_centre,
)
from deckwright.report.drawing.cardview import RecordRow, address, reasons, record_rows
from deckwright.report.html import drawn, page
from deckwright.report.model import CardLine, Mark, ReturnedGroup
from deckwright.report.signs import shown
from deckwright.wording import plural

_MOST_FAULTS = 3
_HALF: Final = 40
"""Columns in one row of the interpreted line."""

# holes are drawn in columns and rows, which keeps a card at some 1,000 bytes
_SCALED = f"matrix({COLUMN_PITCH} 0 0 {ROW_PITCH} {FIRST_COLUMN - HOLE_WIDTH / 2} {FIRST_ROW})"
_HOLE = [f"M{column} {row}h.632" for row in range(len(ROWS)) for column in range(COLUMNS)]
_CARD = f"M{CUT_ALONG} 0H{WIDTH}V{HEIGHT}H0V{CUT_DOWN}z"
_DEFS = (
    '<svg width="0" height="0" class="unseen" aria-hidden="true"><pattern id="hatch" '
    'width="160" height="160" patternUnits="userSpaceOnUse"><path d="M-20 20L20-20M0 160L160 0'
    f'M140 180l40-40" stroke="{HATCHED}" stroke-width="42"/></pattern></svg>'
)

Pieces = list[tuple[str, bool]]
"""Stretches of a printed line, and whether they are at fault."""


@dataclass(frozen=True, slots=True)
class SmallCard:
    """A card on the page. line: its two halves in pieces; more: reasons that are not listed."""

    name: str
    number: str
    small: Markup
    picture: str
    line: Sequence[Pieces]
    rows: Sequence[RecordRow]
    left_out: int
    reasons: Sequence[str]
    more: int


@dataclass(frozen=True, slots=True)
class GroupView:
    """A reason on the page. left: what is not drawn, and where it is; empty where all is drawn."""

    ident: str
    title: str
    stage: int
    code: str
    count: int
    cards: Sequence[SmallCard]
    left: str
    numbers: str


def returned_page(
    title: str, groups: Sequence[ReturnedGroup], returned: int, reading: str = ""
) -> str:
    """Return the page as HTML that needs no other file and no script.

    Args:
        title: of the job.
        groups: the returned cards by reason.
        returned: how many cards came back in all.
        reading: address of the reading report, where the cards were pictures.
    """
    drawn_ones = sum(len(group.cards) for group in groups)
    words = "All" if drawn_ones == returned else f"{drawn_ones:,} of"
    rest = (
        "" if drawn_ones == returned else
        " The others are named below each reason; 'deckwright draw' draws any of them."
    )  # fmt: skip
    return page(
        "returned.html",
        "Returned cards",
        title,
        says=f"{words} {plural(returned, 'returned card')}, by reason. Hatched columns are at "
        f"fault.{rest}",
        home="control.html",
        reading=reading,
        hatch=drawn(_DEFS),
        groups=[_view(place, group) for place, group in enumerate(groups, 1)],
    )


def _view(place: int, group: ReturnedGroup) -> GroupView:
    said = _sentence(group.sentence.rstrip(".") or group.reason or "no reason given")
    title = f"{said}{f' ({group.field})' if group.field else ''}"
    left = ""
    if (rest := group.count - len(group.cards)) > 0:
        left = (
            f"{plural(rest, 'card')} with this reason {'is' if rest == 1 else 'are'} not drawn "
            "here. All lie in the folder returned, and each reason stands in returned/reasons.csv."
        )
    numbers = group.numbers
    if group.listed < group.count:
        numbers += f"; and {group.count - group.listed:,} more in returned/reasons.csv"
    return GroupView(
        f"reason{place}",
        title,
        group.stage,
        group.reason if group.sentence else "",
        group.count,
        [small_card(card, group) for card in group.cards],
        left,
        numbers,
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def small_card(card: CardLine, group: ReturnedGroup) -> SmallCard:
    """Return a card as it is shown small; what its group says already is not said again."""
    small, left_out = Markup(), 0
    told = reasons(card.marks[:_MOST_FAULTS])
    line: list[Pieces] = []
    rows: list[RecordRow] = []
    if card.patterns is not None and not (card.picture and not card.patterns.any()):
        small = drawn(_small(card.patterns, card.marks))
        line = [_pieces(card, 0), _pieces(card, _HALF)] if card.text.strip() else []
    elif not card.picture:
        rows, left_out = record_rows(card.text, card.marks)
    return SmallCard(
        card.name,
        card.beside,
        small,
        address(card.picture),
        line,
        rows,
        left_out,
        [said for said in (_short(one, group) for one in told) if said],
        max(0, len(card.marks) - _MOST_FAULTS),
    )


def _short(said: str, group: ReturnedGroup) -> str:
    """Return `month (columns 9-14) is '195701'` where the rest is what the group says.

    Nothing is left where the card as a whole is at fault and nothing was found.
    """
    before, sign, after = said.partition(f": {group.sentence}")
    if not (group.sentence and sign):
        return said
    return "" if before == "card" and not after else f"{before}{after}"


def _pieces(card: CardLine, start: int) -> Pieces:
    """Return 40 columns of the printed line, cut where faults begin and end."""
    if start and not card.text[start:].strip():
        return []  # a card is often punched at the left only
    text = shown(card.text.ljust(COLUMNS)[start : start + _HALF])
    marked = [
        any(first <= column <= last for first, last, _ in card.marks)
        for column in range(start + 1, start + len(text) + 1)
    ]
    pairs = groupby(zip(text, marked, strict=True), key=lambda pair: pair[1])
    return [("".join(letter for letter, _ in pair), at_fault) for at_fault, pair in pairs]


def _small(patterns: NDArray[np.uint16], marks: Sequence[Mark]) -> str:
    bits = np.uint16(0x800) >> np.arange(len(ROWS), dtype=np.uint16)
    places = np.flatnonzero((patterns[None, :] & bits[:, None]) != 0).tolist()
    holes = "".join([_HOLE[place] for place in places])
    return (
        f'<svg viewBox="-20 -20 {WIDTH + 40} {HEIGHT + 40}" aria-hidden="true">'
        f'<path d="{_CARD}" fill="{PAPER}" stroke="{EDGE}" stroke-width="20"/>{_bands(marks)}'
        f'<path d="{holes}" transform="{_SCALED}" stroke="{INK}" '
        f'stroke-width="{HOLE_HEIGHT / ROW_PITCH}"/></svg>'
    )


def _bands(marks: Sequence[Mark]) -> str:
    return "".join(_band_paths(marks))


def _band_paths(marks: Sequence[Mark]) -> Iterator[str]:
    for first, last in dict.fromkeys((mark[0], min(mark[1], COLUMNS)) for mark in marks):
        if 0 < first <= COLUMNS:
            wide = (last - first + 1) * COLUMN_PITCH
            left = column_centre(first) - COLUMN_PITCH / 2
            yield (
                f'<path d="M{left} 125h{wide}v3000h-{wide}z" fill="url(#hatch)" '
                f'stroke="{MARK}" stroke-width="20"/>'
            )

"""Finding numbers with a punched decimal point: digits on both sides of a column of points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.guess.borders import border
from deckwright.examine.guess.columns import BLANK, ZERO, Look
from deckwright.examine.guess.measuring import cards_said, failing_of, filled_cards
from deckwright.examine.model import Guess
from deckwright.examine.strengths import strength_of
from deckwright.wording import percent

_MOSTLY = 0.97
_SOME = 0.005  # of the cards
_FAILS = 0.05
_POINT = ord(".")
_SIGNS = (ord("+"), ord("-"))
_WIDEST = 18


@dataclass(frozen=True, slots=True)
class _Span:
    """Columns from 0: first and last of the number, and that of its point."""

    first: int
    point: int
    last: int


def find_decimals(look: Look, taken: NDArray[np.bool_]) -> list[Guess]:
    """Return numbers with a decimal point that do not overlap, nor take columns bool (L)."""
    found: list[Guess] = []
    free = ~taken
    for point in range(look.width):
        if not free[point] or not _is_point(look, point):
            continue
        span = _around(look, point, free)
        guess = _guess(look, span) if span.last > point or span.first < point else None
        if guess is not None:
            found.append(guess)
            free[span.first : span.last + 1] = False
    return found


def _is_point(look: Look, column: int) -> bool:
    value, share = look.top(column)
    return value == _POINT and share >= _MOSTLY and look.blank[column] < 1 - _SOME


def _around(look: Look, point: int, free: NDArray[np.bool_]) -> _Span:
    last = point
    while last + 1 < look.width and free[last + 1] and last - point < _WIDEST:
        if look.digit[last + 1] < _MOSTLY or _is_filled_without(look, last + 1, last):
            break
        last += 1
    first = point
    while first > 0 and free[first - 1] and point - first < _WIDEST:
        column = first - 1
        if not _may_lead(look, column) or _is_filled_without(look, column, first):
            break
        if first < point and border(look, column, first):
            break
        first = column
    return _Span(first, point, last)


def _may_lead(look: Look, column: int) -> bool:
    """Return whether a column holds digits and signs, and is not quite blank."""
    counts = look.filled(column)
    good = counts[ZERO : ZERO + 10].sum() + counts[list(_SIGNS)].sum()
    whole = int(counts.sum())
    return bool(whole > 0 and good >= _MOSTLY * whole)


def _is_filled_without(look: Look, column: int, beside: int) -> bool:
    """Return whether a column is punched where the one beside it, nearer the point, is blank."""
    alone = (look.columns[column] != BLANK) & (look.columns[beside] == BLANK)
    return bool(alone.mean() > _SOME)


def _guess(look: Look, span: _Span) -> Guess | None:
    first, last = span.first + 1, span.last + 1
    decimals = span.last - span.point
    cells = look.columns[span.first : span.point]
    options: dict[str, object] = {"kind": "decimal", "decimals": decimals, "point": "punched"}
    if np.isin(cells, _SIGNS).any():
        options["sign"] = "leading"
    if (look.columns[span.first] == BLANK).mean() > 0 and len(cells):
        options["fill"] = " "
    failing = failing_of(look, first, last, options)
    if failing > _FAILS:
        return None
    minus = float((cells == _SIGNS[1]).any(axis=0).mean()) if len(cells) else 0.0
    said = f"; {percent(minus)} begin with a minus" if minus else ""
    total = filled_cards(look, first, last)
    return Guess(
        first=first,
        last=last,
        what="decimal number",
        strength=strength_of(1 - failing, 0.1, total, "strong"),
        share=1 - failing,
        chance=0.1,
        sentence=(
            f"a decimal point stands in column {span.point + 1} of {cards_said(look, first, last)}"
            f", {decimals} digits behind it{said}"
        ),
        reasons=("the columns on both sides of the point hold digits",),
        options=options,
        failing=failing,
    )

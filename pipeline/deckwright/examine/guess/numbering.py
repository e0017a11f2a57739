"""Guesses of numbers: width, sign, leading zeros or blanks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from deckwright.examine.guess.borders import ANOTHER_FIELD, FIRST, NO_DIGITS, Segment
from deckwright.examine.guess.columns import BLANK, ZERO, Look
from deckwright.examine.guess.measuring import cards_said, failing_of
from deckwright.examine.model import Guess
from deckwright.examine.strengths import Strength, strength_of
from deckwright.layout.overpunch import MINUS, NO_DIGIT, PLUS, ZONES
from deckwright.wording import percent

_MOST_DIGITS = 18
_FAILS = 0.05
_SOME = 0.005
_UNEVEN = 1.6  # a number's first column holds zero so many times oftener than one in ten


@dataclass(frozen=True, slots=True)
class _Figures:
    """Shares of the filled cards."""

    filled: int
    leading_zero: float
    leading_blank: float
    minus: float
    plus: float
    good: float


def number_guess(look: Look, segment: Segment) -> Guess:
    """Return a number in these columns."""
    first, last = segment.first + 1, segment.last + 1
    figures = _figures(look, segment)
    width = last - first + 1
    what, options = _kind(figures, width)
    failing = failing_of(look, first, last, options)
    if failing >= _FAILS:
        options, failing = {"kind": "text"}, 0.0
    most: Strength = "holds" if segment.why in {NO_DIGITS, FIRST, ANOTHER_FIELD} else "strong"
    most = "likely" if "a new number" in segment.why else most
    most = "possible" if "few digits and never zero" in segment.why else most
    reasons = [f"begins in column {first}: {segment.why}"] if segment.why else []
    reasons = [] if segment.why == FIRST else reasons
    return Guess(
        first=first,
        last=last,
        what=what,
        strength=strength_of(figures.good, 0.1, figures.filled, most),
        share=figures.good,
        chance=0.1,
        sentence=_sentence(look, first, last, figures),
        reasons=tuple(reasons),
        options=options,
        failing=failing,
    )


def _figures(look: Look, segment: Segment) -> _Figures:
    cells = look.columns[segment.first : segment.last + 1]
    filled = (cells != BLANK).any(axis=0)
    total = max(1, int(filled.sum()))
    zones = ZONES[cells[-1]]
    digits = (cells[:-1] >= ZERO) & (cells[:-1] < ZERO + 10)
    begun = np.logical_or.accumulate(cells[:-1] != BLANK, axis=0)
    good = (digits | ~begun).all(axis=0) & (zones != NO_DIGIT) & filled
    return _Figures(
        filled=total,
        leading_zero=float(((cells[0] == ZERO) & filled).sum() / total),
        leading_blank=float(((cells[0] == BLANK) & filled).sum() / total),
        minus=float(((zones != NO_DIGIT) & (zones & MINUS > 0) & filled).sum() / total),
        plus=float(((zones != NO_DIGIT) & (zones & PLUS > 0) & filled).sum() / total),
        good=float(good.sum() / total),
    )


def _kind(figures: _Figures, width: int) -> tuple[str, dict[str, object]]:
    signed = figures.minus + figures.plus > _SOME
    options: dict[str, object] = {"kind": "whole"}
    what = "whole number"
    if signed:
        what = "signed or flagged number"
        options["sign"] = "overpunch-right"
    if figures.leading_blank > _SOME:
        options["fill"] = " "
        return what, options
    even = figures.leading_zero < _UNEVEN / 10
    if not signed and (width > _MOST_DIGITS or (even and width > 2)):  # noqa: PLR2004
        return "number or name in digits", {"kind": "digits"}
    return what, options if width <= _MOST_DIGITS else {"kind": "text"}


def _sentence(look: Look, first: int, last: int, figures: _Figures) -> str:
    parts = [f"{percent(figures.good)} of {cards_said(look, first, last)} hold digits only"]
    if figures.minus + figures.plus > _SOME:
        parts[0] += " (the last may have a zone over it)"
        over = f"row 11 over {percent(figures.minus)}, row 12 over {percent(figures.plus)}"
        parts.append(f"the zone is a sign, row 11 being minus, or a flag: {over}")
    if figures.leading_blank > _SOME:
        parts.append(f"{percent(figures.leading_blank)} begin with blanks")
    if last > first:
        parts.append(f"{percent(figures.leading_zero)} begin with 0")
    return "; ".join(parts)

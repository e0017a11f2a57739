"""Where fields begin and end, from how neighbouring columns are filled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.guess.columns import BLANK, ZERO, Look
from deckwright.layout.overpunch import NO_DIGIT, ZONES
from deckwright.wording import percent

NO_DIGITS = "the column before holds no digits"
FIRST = "the first column of a card"
ANOTHER_FIELD = "the columns before are another field"
_MOSTLY_DIGITS = 0.5

Nature = Literal["blank", "number", "code", "text", "holes", "constant"]

NEARLY_BLANK = 0.995
"""Share of the cards from which a column counts as not used."""

CONSTANT = 0.995
"""Share of the filled cells from which one value counts as constant."""

_DIGITS = 0.97
_UNITS = 7
"""Different digits from which a column is taken for the units of a number."""

_EVEN = 2.3
"""Bits from which its digits come up about equally often."""

_DROP = 0.4
"""Bits by which a column must tell less than the one before it for a number to begin there."""

_STRANGE = 0.02
_BLANK_STEP = 0.01  # of the cards: blanks that a number's columns do not share
_STARTS = 0.03  # of the cards, that must begin a text in a column
_ALL_BLANK = 0.97
_GOES_ON = 0.05
_CASES = 10  # cards
_BEHIND = 3  # columns that are blank where a text is
_ALIKE = 0.2
_FEW_LETTERS = 12
_FEW_AT_EDGE = 6  # beside a text, whose first letters may be few too
_CODE_BITS = 1.9
_CODES = 5


@dataclass(frozen=True, slots=True)
class Segment:
    """Columns (from 0, both included) that seem to be one field, and why they begin there."""

    first: int
    last: int
    nature: Nature
    why: str = ""


def segments(look: Look, taken: NDArray[np.bool_]) -> list[Segment]:
    """Return the fields of the columns that are not taken, bool (L)."""
    natures = [_nature(look, column) for column in range(look.width)]
    found: list[Segment] = []
    column = 0
    while column < look.width:
        if taken[column]:
            column += 1
            continue
        end = column
        while end + 1 < look.width and not taken[end + 1] and _same(natures, column, end + 1):
            end += 1
        found += _cut(look, column, end, natures[column])
        column = end + 1
    return found


def _nature(look: Look, column: int) -> Nature:
    if look.blank[column] >= NEARLY_BLANK:
        return "blank"
    if look.strange[column] > _STRANGE:
        return "holes"
    if look.digit[column] >= _DIGITS or look.zoned[column]:
        return "number"
    if look.top(column)[1] >= CONSTANT and look.blank[column] <= 1 - CONSTANT:
        return "constant"
    return "text"


def _same(natures: list[Nature], column: int, other: int) -> bool:
    return natures[column] == natures[other]


def _cut(look: Look, first: int, last: int, nature: Nature) -> list[Segment]:
    if nature == "number":
        return _cut_digits(look, first, last)
    if nature == "text":
        return _cut_text(look, first, last)
    if nature == "holes":
        return [Segment(column, column, nature) for column in range(first, last + 1)]
    return [Segment(first, last, nature)]


def _cut_digits(look: Look, first: int, last: int) -> list[Segment]:
    """Cut a run of digit columns; from the right, since a number ends in its units."""
    found: list[Segment] = []
    right = last
    while right >= first:
        left, why = _start_of_number(look, first, right)
        if left == right and not _is_units(look, right):
            left, nature = _start_of_constant(look, first, right)
            found.append(Segment(left, right, nature))
        else:
            found.append(Segment(left, right, "number", why))
        right = left - 1
    return found[::-1]


def _start_of_constant(look: Look, first: int, right: int) -> tuple[int, Nature]:
    if not _is_constant(look, right):
        return right, "code"
    left = right
    while left > first and _is_constant(look, left - 1):
        left -= 1
    return left, "constant"


def _is_constant(look: Look, column: int) -> bool:
    return look.top(column)[1] >= CONSTANT and look.blank[column] <= 1 - CONSTANT


def _start_of_number(look: Look, first: int, right: int) -> tuple[int, str]:
    """Return where the number that ends in column `right` begins, and why there."""
    if not _is_units(look, right):
        return right, "few values"
    left = right
    least = look.bits[right] if not look.zoned[right] else np.inf
    while left > first:
        why = _border(look, left - 1, left, least)
        if why:
            return left, why
        left -= 1
        least = min(least, look.bits[left])
    return left, _first_why(look, left)


def _first_why(look: Look, left: int) -> str:
    if not left:
        return FIRST
    return ANOTHER_FIELD if look.digit[left - 1] > _MOSTLY_DIGITS else NO_DIGITS


def _is_units(look: Look, column: int) -> bool:
    return bool(look.zoned[column]) or look.distinct(column) >= _UNITS


def _border(look: Look, left: int, right: int, least: float) -> str:
    """Return why a number begins in column `right`; '' where it goes on to the left."""
    if look.zoned[left]:
        return "the column before carries a sign"
    drop = look.bits[left] - min(least, look.bits[right])
    if (
        _is_units(look, left)
        and look.bits[left] >= _EVEN
        and drop >= _DROP
        and not _tapers(look, left, right)
    ):
        return "a new number seems to start here"
    blank = look.columns[[left, right]] == BLANK
    if (~blank[0] & blank[1]).mean() > _BLANK_STEP:
        return "it is blank on cards where the column before is punched"
    if left > 0 and _ends_when_blank(look, left, blank):
        return "the columns before are blank together, and this one is not"
    if _is_card_code(look, left):
        return "the column before holds few digits and never zero, as a code does"
    return ""


def _tapers(look: Look, left: int, right: int) -> bool:
    """Return whether two columns of nearly even digits go on as one number."""
    return bool(look.bits[right] >= 3.2 and look.bits[left] >= 3.2)  # noqa: PLR2004 # of 3.32


def _ends_when_blank(look: Look, left: int, blank: NDArray[np.bool_]) -> bool:
    if (blank[0] & ~blank[1]).mean() <= _BLANK_STEP:
        return False
    before = look.columns[left - 1] == BLANK
    return bool((before != blank[0]).mean() <= _BLANK_STEP / 2 and blank[0].any())


def _is_card_code(look: Look, column: int) -> bool:
    counts = look.filled(column)
    few = 2 <= look.distinct(column) <= _CODES  # noqa: PLR2004 # a constant is no code
    zero = counts[ZERO] / max(1, counts.sum())
    full = look.blank[column] < _BLANK_STEP
    return bool(few and zero < _BLANK_STEP and full and 1 < look.bits[column] < _CODE_BITS + 0.5)


def _cut_text(look: Look, first: int, last: int) -> list[Segment]:
    """Cut a run of columns that are not all digits: codes at its ends, texts between them."""
    left = first
    if all(_is_letter_code(look, column) for column in range(first, last + 1)):
        return _cut_codes(look, first, last)
    while left < last and _stands_alone(look, left, left + 1):
        left += 1
    right = last
    while right > left and _stands_alone(look, right, right - 1):
        right -= 1
    found = _cut_codes(look, first, left - 1)
    start, why = left, ""
    for column in range(left, right + 1):
        border = _text_border(look, column, column + 1) if column < right else "its end"
        if border:
            found.append(Segment(start, column, "text", why))
            start, why = column + 1, border
    return found + _cut_codes(look, right + 1, last)


def _stands_alone(look: Look, column: int, beside: int) -> bool:
    """Return whether a column holds a code, on which the column beside it does not hang."""
    if not _is_letter_code(look, column) or look.distinct(column) > _FEW_AT_EDGE:
        return False
    often = look.columns[column] == look.top(column)[0]
    return _apart(look.columns[beside], often, ~often) <= _ALIKE


def _cut_codes(look: Look, first: int, last: int) -> list[Segment]:
    found: list[Segment] = []
    start = first
    for column in range(first, last + 1):
        if column == last or not _hang_together(look, column, column + 1):
            found.append(Segment(start, column, "code", "its columns hold a few values only"))
            start = column + 1
    return found


def _text_border(look: Look, left: int, right: int) -> str:
    """Return why a text begins in column `right`, '' where it goes on.

    A text begins at its left edge: where that is blank, all is; and what stands there does not
    hang on whether the column before is blank, as it does within and between words.
    """
    before, here = look.columns[left] == BLANK, look.columns[right] != BLANK
    both = (before & here).mean()
    if both < _STARTS or not here.any():
        return ""
    if before.mean() >= _ALL_BLANK:
        share = percent(before.mean())
        return f"the column before is blank on {share} of the cards, this one is not"
    if right + 1 < look.width and (~here).mean() > _BLANK_STEP:
        behind = (look.columns[right + 1 : right + 1 + _BEHIND] != BLANK).any(axis=0)
        # apart where the column before is blank and where it is not: it must hold on both
        cases = [rows for rows in (~here & before, ~here & ~before) if rows.sum() >= _CASES]
        if any(behind[rows].mean() > _GOES_ON for rows in cases):
            return ""
    apart = _apart(look.columns[right], before & here, ~before & here)
    if apart > _ALIKE:
        return ""
    return (
        f"{percent(both)} of the cards are blank before it and punched here, and where it is "
        "blank, what follows is blank too"
    )


def _apart(column: NDArray[np.uint8], one: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    """Return how far what stands in a column differs between two kinds of cards, 0 to 1."""
    tables = [np.bincount(column[rows], minlength=256) for rows in (one, other)]
    sizes = [max(1, int(table.sum())) for table in tables]
    few = min(sizes)
    apart = np.abs(tables[0] / sizes[0] - tables[1] / sizes[1]).sum() / 2
    # two samples of one kind differ by chance, the more so the smaller they are
    kinds = int((tables[0] + tables[1] > 0).sum())
    return float(apart - 0.4 * np.sqrt(kinds / few))


def _is_letter_code(look: Look, column: int) -> bool:
    few = look.distinct(column) <= _FEW_LETTERS
    return few and bool(look.blank[column] < _BLANK_STEP)


def _hang_together(look: Look, left: int, right: int) -> bool:
    pairs = look.columns[left].astype(np.uint16) << 8 | look.columns[right]
    counts = np.unique(pairs, return_counts=True)[1]
    often = int((counts > 0.001 * look.count).sum())
    return often <= max(look.distinct(left), look.distinct(right)) + 1


def border(look: Look, left: int, right: int) -> str:
    """Return why a number of digits begins in column `right` (from 0); '' where it goes on."""
    least = float(look.bits[right])
    return _border(look, left, right, least) if look.digit[[left, right]].min() > 0 else ""


def zone_free(column: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return bool (n): cells of a column that are digits with or without a zone."""
    good: NDArray[np.bool_] = ZONES[column] != NO_DIGIT
    return good

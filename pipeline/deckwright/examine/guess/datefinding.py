"""Finding dates: columns that read as days that exist, in forms that fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.guess.columns import BLANK, Look
from deckwright.examine.strengths import Strength, strength_of
from deckwright.jobs.dateforms import DateForm, parse_date_form
from deckwright.layout.dates import DateReader, civil
from deckwright.layout.words import steady

FORMS = (
    "YYYY-MM-DD", "DD.MM.YYYY", "DD/MM/YYYY", "MM/DD/YYYY",
    "YYYYMMDD", "DDMMYYYY", "MMDDYYYY", "DD.MM.YY", "DD/MM/YY", "MM/DD/YY", "YY/MM/DD",
    "YYYYDDD", "YYYYMM", "MMYYYY", "YYMMDD", "DDMMYY", "MMDDYY", "YYDDD", "YYMM", "MMYY",
)  # fmt: skip
"""Forms that are tried, the more telling ones first."""

CENTURY = 1900

_LEAST = 0.95
_TRIED = 3_000
_YEARS = (1600, 2100)
_DIGITS = 0.9
_NARROW = 4  # digits, up to which a form says little
_FEW = 4  # different months or days, below which a form says little
_MONTHS, _DAYS, _DAYS_OF_YEAR = 12, 30.44, 365.25
_WIDE_YEARS = 40
_CHANCY = 0.2
_MOST_MONTHS = 8
_LATE = 300  # a day of the year that must come up


@dataclass(frozen=True, slots=True)
class DateGuess:
    """A date: columns from 1, its form, the share of cards that fit, and by chance."""

    first: int
    last: int
    form: str
    share: float
    chance: float
    strength: Strength
    years: tuple[int, int]
    other: tuple[tuple[str, float], ...]
    varied: bool


def find_dates(look: Look, taken: NDArray[np.bool_]) -> list[DateGuess]:
    """Return dates that do not overlap, nor take columns, bool (L), that are taken."""
    hits: list[tuple[float, int, DateForm]] = []
    some = steady(_some(look.text, _TRIED))
    for name in FORMS:
        form = parse_date_form(name)
        for first in range(look.width - form.width + 1):
            if taken[first : first + form.width].any() or not _can_be(look, form, first):
                continue
            share, _ = _fits(some, form, first)
            if share >= _LEAST:
                hits.append((_telling(some, form, first), first, form))
    found: list[DateGuess] = []
    used = taken.copy()
    for _, first, form in sorted(hits, key=lambda hit: (-hit[0], FORMS.index(hit[2].text))):
        if used[first : first + form.width].any():
            continue
        guess = _guess(look, form, first, hits)
        if guess is not None:
            found.append(guess)
            used[first : first + form.width] = True
    return found


def _can_be(look: Look, form: DateForm, first: int) -> bool:
    marks = dict(form.literals)
    for place in range(form.width):
        column = first + place
        if place in marks:
            value, share = look.top(column)
            if value != ord(marks[place]) or share < _LEAST:
                return False
        elif look.digit[column] < _DIGITS:
            return False
    return bool(look.blank[first : first + form.width].max() < _DIGITS)


def _some(text: NDArray[np.uint8], most: int) -> NDArray[np.uint8]:
    if len(text) <= most:
        return text
    return np.ascontiguousarray(text[np.linspace(0, len(text) - 1, most).astype(int)])


def _fits(text: NDArray[np.uint8], form: DateForm, first: int) -> tuple[float, NDArray[np.int32]]:
    """Return the share of filled cards that hold such a date, and the days (k) of those."""
    filled = (text[:, first : first + form.width] != BLANK).any(axis=1)
    days, doubt = DateReader(form, CENTURY, first + 1, pad=False).quick(text)
    good = filled & ~doubt
    if form.part("year"):
        years = civil(days)[0]
        good &= (years >= _YEARS[0]) & (years < _YEARS[1])
    return float(good.sum() / max(1, filled.sum())), days[good]


def _telling(text: NDArray[np.uint8], form: DateForm, first: int) -> float:
    """Return how much a fit tells: digits that fit, days that spread, years that do not."""
    share, days = _fits(text, form, first)
    year, month, day = civil(days)
    score = form.width - 4 * (1 - share) / (1 - _LEAST)
    score -= 2.0 * (_spread(year) > _WIDE_YEARS)
    score += len(np.unique(month)) / _MONTHS
    if form.part("day"):
        score += len(np.unique(day)) / 31
    return score


def _spread(years: NDArray[np.int32]) -> float:
    """Return how many years nearly all dates lie in."""
    if not len(years):
        return 0.0
    low, high = np.percentile(years, [1, 99])
    return float(high - low + 1)


def _chance(form: DateForm) -> float:
    """Return which share of random digits reads as such a date, marks taken for granted."""
    names = {part.name for part in form.parts}
    years = (_YEARS[1] - _YEARS[0]) if "year" in names else 100
    days = _MONTHS * (_DAYS if "day" in names else 1)
    days = _DAYS_OF_YEAR if "day of year" in names else days
    digits = sum(part.width for part in form.parts)
    return float(min(1.0, years * days / 10.0**digits))


def _can_be_meant(form: DateForm, days: NDArray[np.int32], *, varied: bool) -> bool:
    """Return whether days spread as days do, and not as any small numbers."""
    year, month, day = civil(days)
    digits = sum(part.width for part in form.parts)
    years = len(np.unique(year))
    if form.part("day") and len(np.unique(day)) < _FEW:
        return False
    if digits <= _NARROW and (not varied or len(np.unique(month)) <= _MOST_MONTHS or years == 1):
        return False
    if not form.part("year") and (not varied or _spread(year) > _WIDE_YEARS):
        return False
    late = int((days - _first_days(year)).max()) >= _LATE
    return late or not form.part("day of year")


def _most(form: DateForm) -> Strength:
    return "likely" if _chance(form) > _CHANCY else "holds"


def _first_days(years: NDArray[np.int32]) -> NDArray[np.int64]:
    """Return days since 1970-01-01 of the first of January (n) of years."""
    first: NDArray[np.int64] = (
        (years.astype(np.int64) - 1970).astype("M8[Y]").astype("M8[D]").astype(np.int64)
    )
    return first


def _guess(
    look: Look, form: DateForm, first: int, hits: list[tuple[float, int, DateForm]]
) -> DateGuess | None:
    text = steady(look.text)
    share, days = _fits(text, form, first)
    if share < _LEAST or not len(days):
        return None
    year, month, day = civil(days)
    varied = len(np.unique(month)) + len(np.unique(day)) > _FEW
    if not _can_be_meant(form, days, varied=varied):
        return None
    digits = sum(part.width for part in form.parts)
    most: Strength = "possible" if digits <= _NARROW or not varied else _most(form)
    same = [(f.text, _fits(text, f, first)[0]) for _, at, f in hits
            if at == first and f.width == form.width and f is not form]  # fmt: skip
    chance = _chance(form)
    return DateGuess(
        first=first + 1,
        last=first + form.width,
        form=form.text,
        share=share,
        chance=chance,
        strength=strength_of(share, chance, len(np.unique(days)), most)
        if len(np.unique(days)) < 30  # noqa: PLR2004 # too few to tell
        else strength_of(share, chance, look.count, most),
        years=(int(year.min()), int(year.max())),
        other=tuple(sorted(same, key=lambda one: -one[1])),
        varied=varied,
    )

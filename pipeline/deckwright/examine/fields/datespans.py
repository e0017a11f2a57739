"""Spans that hold dates, and how much that says: shuffled, their columns would hold hardly any."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.columnfigures import ColumnFigures
from deckwright.jobs.dateforms import DateForm, parse_date_form
from deckwright.layout.dates import DateReader, civil

FORMS = (
    "YYYY-MM-DD", "YYYYMMDD", "DDMMYYYY", "MMDDYYYY", "DD.MM.YYYY", "DD/MM/YYYY",
    "DD.MM.YY", "DD/MM/YY", "MM/DD/YY", "YY/MM/DD",
    "YYYYDDD", "YYYYMM", "MMYYYY", "YYMMDD", "DDMMYY", "MMDDYY", "YYDDD", "YYMM", "MMYY",
)  # fmt: skip
"""Forms that are tried, the more telling ones first."""

CENTURY = 1900

SURE_DATE, CERTAIN_DATE = 0.45, 0.55
"""How sure a date must be, to be called one at all, and to be called one without reserve."""

_LEAST = 0.97
_TRIED = 600
_PLENTY = 400.0  # bits, from which more say no more
_SHUFFLES = 4
_DIGITS = 0.95
_ROW = 24  # columns that the reader of dates may look at
_FEWEST = 4  # different dates, below which nothing is told
_LIKELIEST_YEARS = (1600, 2100)
_SHORT = 4  # digits, up to which a form says little
_MANY_YEARS = 60
_SCREEN, _SCREENED = 40, 0.8  # cards that are looked at first
_NINE = ord("9")


@dataclass(frozen=True, slots=True)
class DateSpan:
    """Columns that hold dates.

    share: of the texts that are no nines all through. chance: of texts of which each column was
    shuffled by itself. sure: how much speaks for a date, 0 to 1. other: further forms that fit.
    """

    form: str
    share: float
    chance: float
    sure: float
    years: tuple[int, int]
    numbers: int
    other: tuple[tuple[str, float], ...] = ()


def date_spans(figures: ColumnFigures) -> dict[tuple[int, int], DateSpan]:
    """Return spans (columns from 0) that may hold dates, each with the form that fits best."""
    step = max(1, figures.count // _TRIED)
    text = np.ascontiguousarray(figures.text[:, ::step].T)
    digits = (figures.shares[:, 1] + figures.shares[:, 2]) / np.maximum(1e-9, 1 - figures.blank)
    found: dict[tuple[int, int], list[DateSpan]] = {}
    for name in FORMS:
        form = parse_date_form(name)
        marks = dict(form.literals)
        for first in range(figures.width - form.width + 1):
            parts = (first + place for place in range(form.width) if place not in marks)
            if any(digits[column] < _DIGITS for column in parts):
                continue
            one = _told(text, form, first)
            if one is not None:
                found.setdefault((first, first + form.width - 1), []).append(one)
    return {span: _best(ones) for span, ones in found.items()}


def _best(spans: list[DateSpan]) -> DateSpan:
    order = sorted(spans, key=lambda one: (-round(one.share, 2), -one.sure, FORMS.index(one.form)))
    best = order[0]
    other = tuple((one.form, one.share) for one in order[1:])
    return DateSpan(best.form, best.share, best.chance, best.sure, best.years, best.numbers, other)


def _told(text: NDArray[np.uint8], form: DateForm, first: int) -> DateSpan | None:
    cells = text[:, first : first + form.width]
    told = (cells != ord(" ")).any(axis=1) & (cells != _NINE).any(axis=1)
    if told.sum() < _FEWEST or _read(cells[told][:_SCREEN], form)[1] < _SCREENED:
        return None
    cells = np.ascontiguousarray(cells[told])
    cells = np.unique(cells.view(f"V{form.width}")).view(np.uint8).reshape(-1, form.width)
    if len(cells) < _FEWEST:
        return None
    days, share = _read(cells, form)
    if share < _LEAST:
        return None
    random = np.random.default_rng(first)
    chances = [_read(random.permuted(cells, axis=0), form)[1] for _ in range(_SHUFFLES)]
    chance = float(np.mean(chances))
    bits = -len(cells) * np.log2(max(chance, 0.02))
    years = civil(days)[0]
    low, high = (int(year) for year in np.percentile(years, [2, 98]))
    sure = min(1.0, float(np.log2(1 + bits) / np.log2(1 + _PLENTY)))
    if form.part("year") and not (_LIKELIEST_YEARS[0] <= low and high < _LIKELIEST_YEARS[1]):
        return None
    if not form.part("year") and high - low > _MANY_YEARS:
        sure /= 2
    if sum(part.width for part in form.parts) <= _SHORT:
        sure /= 2
    return DateSpan(form.text, share, chance, sure, (low, high), len(cells))


def _read(cells: NDArray[np.uint8], form: DateForm) -> tuple[NDArray[np.int32], float]:
    """Return the days of texts (n, w) that are such dates, and their share."""
    wide = np.full((len(cells), _ROW), ord(" "), np.uint8)
    wide[:, : cells.shape[1]] = cells
    days, doubt = DateReader(form, CENTURY, 1, pad=False).quick(wide)
    return days[~doubt], float(1 - doubt.mean())

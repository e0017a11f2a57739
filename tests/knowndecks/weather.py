"""Families of decks: rain, pressure, soundings, tides, rivers, and other books of observers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from . import days, words
from .amounts import Random, amounts, balances, chance, holes_in, number, one_of, pointed
from .model import Draft, Item, alone, several, together


def _stations(rng: Random, cards: int, width: int, *, sorted_by: bool = True) -> Item:
    count = max(2, min(cards // int(rng.integers(4, 40)), 10 ** (width - 2)))
    if chance(rng, 0.4) and width >= 4:
        values, check = words.checked(rng, count, width)
    else:
        values, check = words.masked(rng, "9" * width, count), ""
    chosen = rng.integers(0, count, cards)
    if sorted_by:
        chosen = np.sort(chosen)
    return words.identifier("station", [values[k] for k in chosen.tolist()], check)


def rain_days(rng: Random, cards: int) -> Draft:
    """Falls of the days of a third of a month, with marks over the last digit."""
    when = days.days(rng, cards, one_of(rng, "months", "years"))
    falls = int(rng.integers(5, 12))
    width = int(rng.integers(3, 5))
    sign = one_of(rng, "flag-right", "flag-right", "none")
    fill = one_of(rng, "0", " ")
    groups = [
        [
            number(
                rng,
                "fall",
                amounts(rng, cards, 10 ** (width - 1), one_of(rng, "zeros", "skewed")),
                width,
                sign=sign,
                fill=fill,
                blank=holes_in(rng, cards, 0.04),
            )
        ]
        for _ in range(falls)
    ]
    total = amounts(rng, cards, 9999, "skewed")
    return Draft(
        cards,
        [
            *alone(
                _stations(rng, cards, int(rng.integers(4, 7))),
                days.part(rng, "year", when, one_of(rng, "YYYY", "YY")),
                days.part(rng, "month", when, "MM"),
                words.listed("third", "123", np.arange(cards) % 3),
            ),
            several(groups, 0, 0),
            *alone(number(rng, "total", total, 5, fill="0")),
        ],
        shuffled=False,
    )


def rain_months(rng: Random, cards: int) -> Draft:
    """Twelve months a line, each with a mark behind it."""
    width = int(rng.integers(4, 6))
    gap = int(rng.integers(0, 2))
    groups = [
        [
            number(rng, "fall", amounts(rng, cards, 4000, "skewed"), width, fill=" "),
            words.flag(rng, "mark", cards, float(rng.uniform(0.02, 0.2))),
        ]
        for _ in range(12)
    ]
    years = np.datetime64("1901-01-01") + 365 * (np.arange(cards) % 60)
    return Draft(
        cards,
        [
            *alone(_stations(rng, cards, 6), days.part(rng, "year", years, "YYYY")),
            several(groups, 0, gap),
        ],
        widths=(102, 120, 132),
        shuffled=False,
    )


def pressure_book(rng: Random, cards: int) -> Draft:
    """Readings of pressure and temperature at several hours."""
    when = days.days(rng, cards, one_of(rng, "running", "years", "months"))
    times = int(rng.integers(1, 4))
    sign = one_of(rng, "overpunch-right", "overpunch-left", "leading")
    pressure = rng.normal(10130, 110, (cards, times)).astype(np.int64)
    air = rng.normal(rng.uniform(-40, 120), 80, (cards, times)).astype(np.int64)
    blank = holes_in(rng, cards)
    groups = [
        [
            number(rng, "pressure", pressure[:, k], 5, fill="0", decimals=1, blank=blank),
            number(rng, "air", air[:, k], 4, sign=sign, decimals=1),
            words.code(rng, "wind", cards, 2, count=16, letters=False),
            number(rng, "force", amounts(rng, cards, 9, "counts"), 1),
        ]
        for k in range(times)
    ]
    form = one_of(rng, "YYMMDD", "YYYYMMDD", "DDMMYY", "YYDDD", "YYYYDDD", "DD/MM/YY")
    return Draft(
        cards,
        [
            *alone(_stations(rng, cards, 5), days.date(rng, "day", when, form=form)),
            several(groups, int(rng.integers(0, 2)), int(rng.integers(0, 3))),
            *alone(words.remarks(rng, "remark", cards, 10)),
        ],
    )


def soundings(rng: Random, cards: int) -> Draft:
    """A card for the ascent, then one for each level, with quality digits before values."""
    levels = int(rng.integers(4, 14))
    which = (np.arange(cards) % (levels + 1) > 0).astype(np.int64)
    ascents = np.arange(cards) // (levels + 1)
    heads, rest = int((which == 0).sum()), int((which == 1).sum())
    when = days.days(rng, heads, "running")
    height = np.sort(rng.integers(0, 30000, cards))[which == 1]
    measured = []
    for name, mean, spread, width in (("air", -200, 250, 4), ("dew", -350, 200, 4)):
        values = rng.normal(mean, spread, rest).astype(np.int64)
        sign = one_of(rng, "leading", "overpunch-right")
        measured.append(
            together(
                words.quality(rng, f"{name}_quality", rest),
                number(rng, name, values, width, sign=sign, decimals=1),
            )
        )
    serial = words.identifier("ascent", words.serials(int(ascents[-1]) + 1, 5, 100))
    labels = ("H", "L") if chance(rng, 0.5) else ("1", "2")
    return Draft(
        cards,
        alone(Item("ascent", serial.form, serial.cells[ascents])),
        [
            alone(
                days.date(rng, "day", when, form=one_of(rng, "YYMMDD", "YYYYMMDD")),
                days.time(rng, "start", rng.integers(0, 86400, heads), form="HHMM"),
                pointed(rng, "latitude", rng.uniform(-60, 60, heads), 7, 2, sign="leading"),
                words.text("ship", words.places(rng, heads), 16),
            ),
            alone(
                number(rng, "height", height, 5, fill=" "),
                number(rng, "pressure", 10130 - height // 4, 5, decimals=1),
            )
            + measured,
        ],
        labels,
        ("ascent", "level"),
        which,
        ascents,
    )


def tides(rng: Random, cards: int) -> Draft:
    """Twelve heights a card, two cards a day."""
    when = np.repeat(days.days(rng, cards // 2 + 1, "running"), 2)[:cards]
    heights = (
        300
        + 200 * np.sin(np.arange(cards * 12).reshape(cards, 12) / 1.97)
        + rng.normal(0, 12, (cards, 12))
    ).astype(np.int64)
    width = int(rng.integers(4, 6))
    sign = one_of(rng, "none", "leading", "trailing")
    fill = one_of(rng, " ", "0")
    groups = [
        [number(rng, "height", heights[:, k] - 60, width, sign=sign, fill=fill)] for k in range(12)
    ]
    port = words.masked(rng, one_of(rng, "AAA", "A99", "999"), 1)[0]
    start = alone(
        words.constant("port", cards, port),
        days.date(rng, "day", when, form=one_of(rng, "YYMMDD", "YYYYMMDD", "YYDDD")),
        words.listed("half", "12", np.arange(cards) % 2),
    )
    return Draft(cards, [*start, several(groups, 0, 0)], shuffled=False)


def river(rng: Random, cards: int) -> Draft:
    """Flows with their point, and a letter of remark behind each."""
    when = days.days(rng, cards, one_of(rng, "running", "years"))
    readings = int(rng.integers(2, 9))
    flows = np.exp(rng.normal(rng.uniform(0, 4), 0.8, (cards, readings)))
    width, places = 7, int(rng.integers(1, 3))
    groups = [
        [
            pointed(rng, "flow", flows[:, k], width, places, blank=holes_in(rng, cards, 0.03)),
            words.flag(rng, "remark", cards, float(rng.uniform(0.02, 0.4))),
        ]
        for k in range(readings)
    ]
    return Draft(
        cards,
        [
            *alone(
                _stations(rng, cards, 8),
                days.date(rng, "day", when, form=one_of(rng, "YYYYDDD", "YYDDD", "YYYYMMDD")),
            ),
            several(groups, 0, int(rng.integers(0, 2))),
        ],
        widths=(80, 84, 102),
        shuffled=False,
    )


def wind_log(rng: Random, cards: int) -> Draft:
    """A line an hour; a ragged remark at its end."""
    when = days.days(rng, cards, "running")
    hour = np.arange(cards) % 24
    return Draft(
        cards,
        alone(
            days.date(rng, "day", when),
            days.hours(rng, "hour", hour),
            number(rng, "direction", amounts(rng, cards, 360, "uniform"), 3),
            number(rng, "speed", amounts(rng, cards, 60, "skewed"), 3, fill=" "),
            number(rng, "gust", amounts(rng, cards, 90, "tail"), 3, blank=holes_in(rng, cards)),
            number(rng, "cloud", amounts(rng, cards, 8, "uniform"), 1),
            words.remarks(rng, "remark", cards, 20),
        ),
        widths=(52, 60, 80),
    )


def snow_survey(rng: Random, cards: int) -> Draft:
    """Courses of several points; depth, weight and density at each."""
    points = int(rng.integers(2, 6))
    depth = amounts(rng, cards, 300, "normal")
    groups = [
        [
            number(rng, "depth", depth + rng.integers(-20, 20, cards), 3, fill=" "),
            number(rng, "water", depth // 3, 3, fill=" ", blank=holes_in(rng, cards, 0.1)),
            pointed(rng, "density", rng.uniform(0.1, 0.5, cards), 4, 2),
        ]
        for _ in range(points)
    ]
    when = days.days(rng, cards, "years")
    return Draft(
        cards,
        [
            *alone(
                words.code(rng, "basin", cards, 2, letters=True, count=9),
                _stations(rng, cards, 4),
                days.date(
                    rng, "day", when, form=one_of(rng, "DDMMYY", "DD.MM.YY", "MMDDYY", "DDMM")
                ),
            ),
            several(groups, int(rng.integers(0, 2)), int(rng.integers(0, 2))),
            *alone(number(rng, "level", balances(rng, cards, 2500), 5, sign="leading")),
        ],
    )


def month_lines(rng: Random, cards: int) -> Draft:
    """Long lines: values with sign and three marks, many times."""
    times = int(rng.integers(8, 13))
    low = rng.normal(rng.uniform(-80, 150), 90, (cards, times)).astype(np.int64)
    groups = [
        [
            number(rng, "value", low[:, k], 5, sign="leading", fill=" "),
            words.flag(rng, "measure", cards, 0.05),
            words.flag(rng, "quality", cards, 0.08),
            words.flag(rng, "source", cards, float(rng.choice([0.2, 0.95]))),
        ]
        for k in range(times)
    ]
    when = days.days(rng, cards, "years")
    return Draft(
        cards,
        [
            *alone(
                words.identifier("station", _coded(rng, cards)),
                days.date(rng, "month", when, form="YYYYMM"),
                words.code(rng, "element", cards, 4, count=4, letters=True),
            ),
            several(groups, 0, 0),
        ],
        widths=(128, 140, 156, 160),
        shuffled=False,
    )


def _coded(rng: Random, cards: int) -> list[str]:
    values = words.masked(rng, one_of(rng, "AA999999", "AA99A999", "A-9999"), max(cards // 30, 2))
    return [values[k] for k in np.sort(rng.integers(0, len(values), cards)).tolist()]


FAMILIES: tuple[Callable[[Random, int], Draft], ...] = (
    rain_days,
    rain_months,
    pressure_book,
    soundings,
    tides,
    river,
    wind_log,
    snow_survey,
    month_lines,
)

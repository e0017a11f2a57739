"""Families of decks: stars, readings of a laboratory, bores, gravity, shocks, tabulated physics."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from . import days, words
from .amounts import EXPONENTS, Random, amounts, chance, exponent, holes_in, number, one_of, pointed
from .model import Draft, alone, several, together


def stars(rng: Random, cards: int) -> Draft:
    """A list of stars: hours, minutes, seconds; sign, degrees; magnitude; motion; type."""
    hour = np.sort(rng.integers(0, 86400, cards))
    declination = rng.integers(-89 * 60, 89 * 60, cards)
    sign = words.listed("sign", ("+", "-"), (declination < 0).astype(np.int64))
    degree = np.abs(declination) // 60
    motion = rng.normal(0, 90, cards).astype(np.int64)
    return Draft(
        cards,
        [
            *alone(words.identifier("number", words.serials(cards, 5, int(rng.integers(1, 2000))))),
            together(
                number(rng, "hour", hour // 3600, 2, fill="0", form="hour"),
                number(rng, "minute", hour // 60 % 60, 2, fill="0", form="minute"),
                pointed(rng, "second", hour % 60 + rng.random(cards), 5, 1),
                gap=int(rng.integers(0, 2)),
            ),
            together(
                number(
                    rng,
                    "declination",
                    np.where(declination < 0, -1, 1) * np.maximum(degree, 1),
                    3,
                    sign="leading",
                    fill="0",
                ),
                number(rng, "arc_minute", np.abs(declination) % 60, 2, fill="0"),
                gap=1,
            )
            if chance(rng, 0.6)
            else together(
                sign,
                number(rng, "degree", degree, 2),
                number(rng, "arc", np.abs(declination) % 60, 2),
            ),
            *alone(
                pointed(rng, "magnitude", rng.normal(7, 1.5, cards), 5, 2),
                words.code(rng, "class", cards, 2, count=18, letters=None),
                number(rng, "motion", motion, 5, sign="leading", fill=one_of(rng, " ", "0")),
                words.flag(rng, "double", cards, 0.1),
                words.remarks(rng, "remark", cards, 12, 0.06),
            ),
        ],
        widths=(80, 64, 90),
        shuffled=False,
    )


def variables(rng: Random, cards: int) -> Draft:
    """Estimates of brightness: day with its fraction, limit sign, observer."""
    day = np.sort(rng.uniform(2433000, 2446000, cards))
    return Draft(
        cards,
        alone(
            words.code(rng, "star", cards, 6, count=12, letters=None),
            pointed(rng, "day", day, 12, 4),
            words.flag(rng, "fainter", cards, 0.12),
            pointed(rng, "brightness", rng.normal(9, 1.5, cards), 4, 1),
            words.code(rng, "observer", cards, 3, count=25, letters=True),
            words.code(rng, "method", cards, 1, letters=False),
        ),
        widths=(39, 45, 80),
    )


def laboratory(rng: Random, cards: int) -> Draft:
    """Samples with results and their errors, with exponents."""
    form = EXPONENTS[int(rng.integers(len(EXPONENTS)))]
    width = int(rng.integers(9, 12))
    values = 10 ** rng.uniform(-6, 5, cards)
    sample = words.masked(rng, one_of(rng, "A9999", "99-999", "AA9999"), max(cards // 4, 2))
    blank = holes_in(rng, cards)
    signed = chance(rng, 0.3)
    if signed:
        values = values * rng.choice([1, -1], cards)
    return Draft(
        cards,
        alone(
            words.identifier(
                "sample", [sample[k] for k in np.sort(rng.integers(0, len(sample), cards)).tolist()]
            ),
            words.code(rng, "element", cards, 2, count=20, letters=True),
            exponent(rng, "result", values, width, form=form, signed=signed, blank=blank),
            exponent(
                rng, "error", np.abs(values) * 0.02, width, form=form, signed=False, blank=blank
            ),
            words.code(rng, "bench", cards, 1, letters=False),
            days.date(rng, "day", days.days(rng, cards, "running"), form=one_of(rng, *days.LONG)),
            number(rng, "repeats", amounts(rng, cards, 12, "counts"), 2),
        ),
    )


def tables(rng: Random, cards: int) -> Draft:
    """Six numbers of eleven columns with exponents, then material, file and section."""
    times, width = (6, 11) if chance(rng, 0.7) else (4, 14)
    form = one_of(rng, "bare", "bare2", "E2", "E")
    section = np.sort(rng.integers(1, max(cards // 25, 2) + 1, cards))
    ascending = np.cumsum(rng.random(cards)) * 1000
    groups = [
        [
            exponent(
                rng,
                "value",
                ascending * (k + 1) if k % 2 == 0 else rng.normal(0, 1, cards) * 10.0 ** (-k),
                width,
                form=form,
                signed=True,
                blank=holes_in(rng, cards, 0.02 * k),
            )
        ]
        for k in range(times)
    ]
    return Draft(
        cards,
        [
            several(groups, 0, 0),
            *alone(
                number(rng, "material", np.full(cards, int(rng.integers(100, 9999))), 4, fill=" ")
            ),
            *alone(number(rng, "section", section % 1000, 3, fill=" ")),
        ],
        sections=section,
        widths=(80, 84),
        shuffled=False,
    )


def bores(rng: Random, cards: int) -> Draft:
    """Logs of bores: a head with the place, then layers from and to."""
    size = int(rng.integers(4, 15))
    at = np.arange(cards) % size
    which = (at > 0).astype(np.int64)
    heads, layers = int((which == 0).sum()), int((which == 1).sum())
    bore = words.masked(rng, "A-999", heads) if heads < 9000 else words.serials(heads, 5)
    top = (at[which == 1] - 1) * 3.5 + rng.uniform(0, 1, layers)
    identifier = words.identifier("bore", [bore[k // size] for k in range(cards)])
    return Draft(
        cards,
        alone(identifier),
        [
            alone(
                number(rng, "east", rng.integers(300000, 400000, heads), 6),
                number(rng, "north", rng.integers(5000000, 5200000, heads), 7),
                pointed(rng, "level", rng.normal(20, 30, heads), 7, 1, sign="leading"),
                words.text("place", words.places(rng, heads), 18),
                days.date(rng, "drilled", days.days(rng, heads, "years"), form="DDMMYY"),
            ),
            alone(
                pointed(rng, "from", top, 6, 2),
                pointed(rng, "to", top + rng.uniform(1, 3, layers), 6, 2),
                words.code(rng, "rock", layers, 2, count=12, letters=True),
                words.code(rng, "colour", layers, 1, letters=False),
                words.remarks(rng, "words", layers, 24, 0.8),
            ),
        ],
        one_of(rng, "HL", "01", "AB"),
        ("bore", "layer"),
        which,
    )


def gravity(rng: Random, cards: int) -> Draft:
    """Stations with latitude and longitude by letters, height, readings."""
    letters = words.listed("side", ("N", "S"), (rng.random(cards) < 0.3).astype(np.int64))
    other = words.listed("half", ("E", "W"), (rng.random(cards) < 0.5).astype(np.int64))
    sign = one_of(rng, "leading", "overpunch-right")
    return Draft(
        cards,
        [
            *alone(words.identifier("station", words.serials(cards, 5, 1, 1))),
            together(
                number(rng, "latitude", rng.integers(30, 60, cards), 2),
                number(rng, "minute", rng.integers(0, 6000, cards), 4, fill="0", decimals=2),
                letters,
            ),
            together(
                number(rng, "longitude", rng.integers(0, 180, cards), 3, fill="0"),
                number(rng, "arc", rng.integers(0, 6000, cards), 4, fill="0", decimals=2),
                other,
            ),
            *alone(
                number(rng, "height", rng.normal(150, 200, cards).astype(np.int64), 5, sign=sign),
                pointed(rng, "gravity", rng.normal(981000, 400, cards), 10, 2),
                pointed(rng, "anomaly", rng.normal(0, 30, cards), 7, 1, sign="leading"),
                words.code(rng, "instrument", cards, 2, count=4),
            ),
        ],
    )


def shocks(rng: Random, cards: int) -> Draft:
    """Events: a first card, readings of stations, and a blank card; the mark is in the end."""
    which = np.zeros(cards, np.int64)
    at = 0
    while at < cards:
        readings = int(rng.integers(3, 12))
        which[at + 1 : at + 1 + readings] = 1
        if at + 1 + readings < cards:
            which[at + 1 + readings] = 2
        at += readings + 2
    heads, readings = int((which == 0).sum()), int((which == 1).sum())
    when = days.days(rng, heads, "running")
    return Draft(
        cards,
        [],
        [
            alone(
                days.date(rng, "day", when, form=one_of(rng, "YYYYMMDD", "YYMMDD")),
                days.time(rng, "time", rng.integers(0, 86400, heads), form="HHMM"),
                pointed(rng, "latitude", rng.uniform(-70, 70, heads), 7, 3, sign="leading"),
                pointed(rng, "longitude", rng.uniform(-179, 179, heads), 8, 3, sign="leading"),
                pointed(rng, "depth", rng.gamma(2, 10, heads), 5, 1),
                words.text("region", words.places(rng, heads), 14),
            ),
            alone(
                words.code(rng, "station", readings, 4, count=25, letters=True),
                words.code(rng, "phase", readings, 1, letters=True, count=3),
                days.time(rng, "arrival", rng.integers(0, 86400, readings), form="HHMMSS"),
                pointed(rng, "amplitude", rng.lognormal(2, 1.5, readings), 7, 1),
                pointed(rng, "period", rng.uniform(0.1, 2, readings), 4, 2),
                number(rng, "azimuth", rng.integers(0, 360, readings), 3, fill=" "),
            ),
            [],
        ],
        ("1", "6", " "),
        ("event", "reading", "blank"),
        which,
        headings=False,
        tail=False,
    )


def calibrations(rng: Random, cards: int) -> Draft:
    """Runs of an instrument: a constant, rising readings, differences on both sides of zero."""
    rising = amounts(rng, cards, 99999, "rising")
    form = one_of(rng, *EXPONENTS)
    return Draft(
        cards,
        alone(
            words.constant("instrument", cards, words.masked(rng, "AA-99", 1)[0]),
            number(rng, "run", np.arange(cards) // 20 + 1, 3, fill="0"),
            number(rng, "step", np.arange(cards) % 20 + 1, 2),
            number(rng, "scale", rising, 6, decimals=2),
            exponent(rng, "ratio", 10 ** rng.normal(0, 2, cards), 12, form=form, signed=False),
            pointed(
                rng,
                "difference",
                rng.normal(0, 3, cards),
                8,
                3,
                sign=one_of(rng, "leading", "trailing"),
            ),
            number(
                rng,
                "drift",
                rng.normal(0, 40, cards).astype(np.int64),
                4,
                sign=one_of(rng, "trailing", "overpunch-left", "overpunch-right"),
            ),
            words.code(rng, "operator", cards, 1, letters=True),
        ),
    )


FAMILIES: tuple[Callable[[Random, int], Draft], ...] = (
    stars,
    variables,
    laboratory,
    tables,
    bores,
    gravity,
    shocks,
    calibrations,
)

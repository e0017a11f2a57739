"""Families of decks: surveys of farms, dwellings and workshops, traffic, catches, machines."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from . import days, words
from .amounts import Random, amounts, chance, holes_in, number, one_of, pointed
from .model import Draft, Run, alone, several, together


def _place(rng: Random, cards: int) -> list[Run]:
    """District, parish and a number within it; often without a gap between them."""
    district = np.sort(rng.integers(1, 30, cards))
    within = np.arange(cards) - np.searchsorted(district, district) + 1
    items = (
        number(rng, "district", district, 2, fill="0"),
        number(rng, "schedule", within, 5, fill="0"),
    )
    if chance(rng, 0.6):
        return [together(*items)]
    return alone(*items)


def farms(rng: Random, cards: int) -> Draft:
    """Crops and animals; most of the counts are nothing."""
    crops = int(rng.integers(4, 10))
    width = int(rng.integers(3, 5))
    fill = one_of(rng, "0", " ")
    groups = [
        [
            number(
                rng,
                "acres",
                amounts(rng, cards, 10**width // 2, one_of(rng, "zeros", "skewed", "zeros")),
                width,
                fill=fill,
                blank=holes_in(rng, cards),
            )
        ]
        for _ in range(crops)
    ]
    return Draft(
        cards,
        _place(rng, cards)
        + alone(
            words.code(rng, "tenure", cards, 1, count=int(rng.integers(3, 6)), letters=False),
            number(rng, "workers", amounts(rng, cards, 30, "counts"), 2),
        )
        + [several(groups, 0, int(rng.choice([0, 0, 1])))]
        + alone(pointed(rng, "yield", rng.gamma(6, 4, cards), 6, 2)),
    )


def dwellings(rng: Random, cards: int) -> Draft:
    """A card of the dwelling, then one for each part of it."""
    first = rng.random(cards) < rng.uniform(0.2, 0.5)
    first[0] = True
    which = np.where(first, 0, 1)
    house = np.cumsum(first)
    heads, parts = int(first.sum()), int((~first).sum())
    return Draft(
        cards,
        alone(
            words.constant("survey", cards, words.masked(rng, one_of(rng, "A9", "99"), 1)[0]),
            number(rng, "dwelling", house, 5, fill="0"),
        ),
        [
            alone(
                words.code(rng, "walls", heads, 1, letters=False),
                words.code(rng, "roof", heads, 1, letters=False),
                number(rng, "rooms", 1 + amounts(rng, heads, 8, "counts"), 2),
                days.part(rng, "built", days.days(rng, heads, "years"), "YYYY"),
                number(rng, "rent", amounts(rng, heads, 900, "skewed"), 5, decimals=2),
                words.text("street", words.places(rng, heads), 17),
            ),
            alone(
                words.code(rng, "part", parts, 2, count=8, letters=True),
                pointed(rng, "length", rng.uniform(2, 12, parts), 5, 1),
                pointed(rng, "width", rng.uniform(2, 8, parts), 5, 1),
                number(rng, "windows", amounts(rng, parts, 6, "counts"), 1),
                words.flag(rng, "damp", parts),
                words.remarks(rng, "remark", parts, 22),
            ),
        ],
        one_of(rng, "HR", "12", "DP"),
        ("dwelling", "part"),
        which,
    )


def opinions(rng: Random, cards: int) -> Draft:
    """Answers with several holes in a column, among plain codes."""
    asked = int(rng.integers(3, 16))
    multi = together(*(words.answers(rng, f"answer_{k}", cards) for k in range(1, asked + 1)))
    plain = [
        words.code(rng, f"question_{k}", cards, 1, letters=False)
        for k in range(1, int(rng.integers(4, 14)))
    ]
    return Draft(
        cards,
        alone(number(rng, "firm", np.arange(1, cards + 1), 5, fill="0"))
        + alone(words.code(rng, "region", cards, 1, letters=False, count=9))
        + [multi, together(*plain)]
        + alone(number(rng, "hands", amounts(rng, cards, 900, "tail"), 4)),
        widths=(80,),
        headings=False,
    )


def workshops(rng: Random, cards: int) -> Draft:
    """Up to four types of card of one survey, told by a digit, sharing some fields."""
    kinds = int(rng.integers(2, 5))
    which = np.arange(cards) % kinds
    counts = [int((which == kind).sum()) for kind in range(kinds)]
    firm = np.arange(cards) // kinds + 1
    trade = words.code(rng, "trade", cards, 3, count=30, letters=False)
    makers: list[Callable[[int], list[Run]]] = [
        lambda n: alone(
            words.text("place", words.places(rng, n), 16),
            number(rng, "founded", 1900 + amounts(rng, n, 70, "normal"), 4, form="year"),
        ),
        lambda n: [
            several(
                [[number(rng, "hands", amounts(rng, n, 400, "tail"), 4)] for _ in range(6)], 0, 1
            )
        ],
        lambda n: [
            several(
                [
                    [
                        words.code(rng, "fuel", n, 1, letters=True),
                        number(rng, "used", amounts(rng, n, 40000, "skewed"), 6, fill=" "),
                    ]
                    for _ in range(4)
                ],
                0,
                0,
            )
        ],
        lambda n: alone(
            pointed(rng, "turnover", rng.lognormal(8, 1.5, n), 11, 2),
            pointed(rng, "wages", rng.lognormal(6, 1.2, n), 10, 2),
            words.remarks(rng, "remark", n, 20),
        ),
    ]
    return Draft(
        cards,
        alone(number(rng, "firm", firm, 4, fill="0"), trade),
        [makers[kind](counts[kind]) for kind in range(kinds)],
        tuple(str(kind + 1) for kind in range(kinds)),
        ("place", "hands", "fuel", "money")[:kinds],
        which,
    )


def traffic(rng: Random, cards: int) -> Draft:
    """Counts by class and direction, hour by hour."""
    classes = int(rng.integers(4, 9))
    hour = np.arange(cards) % 24
    wave = 1 + np.sin((hour - 6) / 24 * 2 * np.pi)
    means = rng.lognormal(2.5, 1.2, classes)
    groups = [
        [
            number(rng, "up", rng.poisson(mean * wave), 4, fill=" "),
            number(rng, "down", rng.poisson(mean * wave * 0.8), 4, fill=" "),
        ]
        for mean in means
    ]
    site = words.masked(rng, one_of(rng, "999", "A99"), max(cards // 48, 1))
    return Draft(
        cards,
        [
            *alone(
                words.identifier("site", [site[min(k // 48, len(site) - 1)] for k in range(cards)]),
                days.date(
                    rng, "day", days.days(rng, cards, "running"), form=one_of(rng, "DDMMYY", "MMDD")
                ),
                days.hours(rng, "hour", hour),
            ),
            several(groups, 0, int(rng.integers(0, 2))),
        ],
        widths=(80, 80, 84, 102),
    )


def catches(rng: Random, cards: int) -> Draft:
    """Vessel and gear, then kinds of fish with weights; blank behind the last."""
    slots = int(rng.integers(2, 9))
    used = 1 + np.minimum(rng.poisson(slots / 2, cards), slots - 1)
    groups = [
        [
            words.code(rng, "kind", cards, 2, count=15, letters=True, blank=used <= k),
            number(rng, "weight", amounts(rng, cards, 9000, "skewed"), 5, blank=used <= k),
        ]
        for k in range(slots)
    ]
    vessel = words.masked(rng, one_of(rng, "AA999", "A-99", "9A99"), max(cards // 20, 3))
    return Draft(
        cards,
        [
            *alone(
                words.identifier(
                    "vessel", [vessel[k] for k in rng.integers(0, len(vessel), cards).tolist()]
                ),
                words.code(rng, "gear", cards, 1),
                days.date(rng, "landed", days.days(rng, cards, "months")),
            ),
            several(groups, 0, int(rng.integers(0, 2))),
            *alone(words.flag(rng, "estimated", cards, 0.1)),
        ],
        shuffled=False,
    )


def power(rng: Random, cards: int) -> Draft:
    """Output of the sets of a power station, with sign, alarms, hours run."""
    times = int(rng.integers(1, 4))
    sign = one_of(rng, "leading", "overpunch-right", "trailing")
    groups = [
        [
            number(rng, "output", amounts(rng, cards, 6000, "seasons"), 4, decimals=1),
            number(
                rng,
                "reactive",
                rng.normal(200, 300, cards).astype(np.int64),
                5,
                sign=sign,
                fill="0",
            ),
            words.flag(rng, "alarm", cards, 0.04),
        ]
        for _ in range(times)
    ]
    return Draft(
        cards,
        [
            *alone(
                words.code(rng, "set", cards, 1, count=4),
                days.date(rng, "day", days.days(rng, cards, "running")),
                days.time(
                    rng, "read", np.arange(cards) % 8 * 10800, form=one_of(rng, "HHMM", "HH.MM")
                ),
                number(rng, "hours", 20000 + np.arange(cards) * 3, 6, fill="0"),
            ),
            several(groups, int(rng.integers(0, 2)), int(rng.integers(0, 3))),
            *alone(words.remarks(rng, "remark", cards, 12, 0.05)),
        ],
    )


def plots(rng: Random, cards: int) -> Draft:
    """Trials of crops: block, plot, treatment, the same readings several times."""
    times = int(rng.integers(3, 9))
    blocks = np.arange(cards) // 24
    groups = [
        [number(rng, "weight", amounts(rng, cards, 999, "normal"), 4, decimals=1, fill=" ")]
        for _ in range(times)
    ]
    return Draft(
        cards,
        [
            *alone(
                number(rng, "block", blocks % 99 + 1, 2),
                number(rng, "plot", np.arange(cards) % 24 + 1, 2),
                words.code(rng, "treatment", cards, 2, count=8, letters=True),
                words.constant("crop", cards, one_of(rng, "OATS", "RYE", "W2")),
            ),
            several(groups, 0, 0),
            *alone(
                number(rng, "score", amounts(rng, cards, 9, "uniform"), 1),
                words.flag(rng, "rust", cards, 0.2),
            ),
        ],
        widths=(80, 64, 72),
    )


FAMILIES: tuple[Callable[[Random, int], Draft], ...] = (
    farms,
    dwellings,
    opinions,
    workshops,
    traffic,
    catches,
    power,
    plots,
)

"""Families of decks: stores, freight, accounts, calls, land, and other books of offices."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from . import days, words
from .amounts import Random, amounts, balances, chance, holes_in, number, one_of, pointed
from .model import Draft, Item, alone, several, together

MONEY = ("overpunch-right", "trailing", "leading", "overpunch-left")


def stock_master(rng: Random, cards: int) -> Draft:
    """Items with a check digit, name, unit, number on hand, price."""
    values, check = words.checked(rng, cards, int(rng.integers(5, 9)))
    if chance(rng, 0.7):
        values.sort()
    moved = days.days(rng, cards, "years")
    return Draft(
        cards,
        alone(
            words.identifier("item", values, check),
            words.text("name", words.things(rng, cards), int(rng.integers(12, 21))),
            words.code(rng, "unit", cards, 2, count=5, letters=True),
            number(rng, "on_hand", balances(rng, cards, 4000), 6, sign="overpunch-right", fill="0"),
            number(rng, "price", amounts(rng, cards, 90000, "skewed"), 7, decimals=2),
            words.identifier("bin", _bins(rng, cards)),
            days.date(rng, "moved", moved, blank=holes_in(rng, cards)),
            words.flag(rng, "stop", cards),
        ),
    )


def _bins(rng: Random, cards: int) -> list[str]:
    mask = one_of(rng, "A99", "99A9", "A9-99", "AA99")
    values = words.masked(rng, mask, max(min(cards // 3, 150), 2))
    return [values[k] for k in rng.integers(0, len(values), cards).tolist()]


def stock_moves(rng: Random, cards: int) -> Draft:
    """Five kinds of change to a stock, each with fields of its own."""
    kinds = int(rng.integers(2, 6))
    which = rng.choice(kinds, cards, p=_shares(rng, kinds))
    count = [int((which == kind).sum()) for kind in range(kinds)]
    values = words.masked(rng, "999999", max(cards // 2, 2))
    keys = [values[k] for k in rng.integers(0, len(values), cards).tolist()]
    when = days.days(rng, cards, "months")
    makers: list[Callable[[int], list[Item]]] = [
        lambda n: [
            words.text("name", words.things(rng, n), 18),
            number(rng, "price", amounts(rng, n, 50000, "skewed"), 7, decimals=2),
            words.code(rng, "unit", n, 2, letters=True),
        ],
        lambda n: [
            number(rng, "number", amounts(rng, n, 900, "skewed"), 5),
            words.identifier("supplier", words.masked(rng, "A9999", n)),
            days.date(rng, "ordered", days.days(rng, n, "months"), form="DDMM"),
        ],
        lambda n: [
            number(rng, "number", balances(rng, n, 900), 6, sign=one_of(rng, *MONEY)),
            words.code(rng, "office", n, 3, count=20, letters=False),
            words.remarks(rng, "remark", n, 12),
        ],
        lambda n: [
            pointed(rng, "price", rng.lognormal(2, 1, n), 8, 2),
            words.text("reason", words.places(rng, n), 14),
        ],
        lambda n: [words.constant("word", n, one_of(rng, "DELETE", "OUT", "STOP"))],
    ]
    letters = one_of(rng, "ARICD", "12345", "XYZKL")
    return Draft(
        cards,
        alone(
            words.identifier("item", keys),
            days.date(rng, "day", when, form=one_of(rng, *days.LONG)),
        ),
        [alone(*makers[kind](count[kind])) for kind in range(kinds)],
        tuple(letters[:kinds]),
        ("add", "receive", "issue", "reprice", "delete")[:kinds],
        which,
    )


def _shares(rng: Random, kinds: int) -> np.ndarray:
    shares = rng.dirichlet(np.full(kinds, 3.0)) + 0.15
    return np.asarray(shares / shares.sum())


def batches(rng: Random, cards: int) -> Draft:
    """Batches with a header, details and a trailer that adds up."""
    size = int(rng.integers(4, 25))
    at = np.arange(cards) % size
    which = np.where(at == 0, 0, np.where(at == size - 1, 2, 1))
    number_of_batch = np.arange(cards) // size
    heads, lines, ends = (int((which == kind).sum()) for kind in range(3))
    amount = balances(rng, lines, 90000)
    batch = number(rng, "batch", number_of_batch + int(rng.integers(1, 300)), 4, fill="0")
    labels = (("H", "D", "T"), ("01", "02", "09"), ("1", "5", "9"))[int(rng.integers(3))]
    return Draft(
        cards,
        alone(Item("batch", batch.form, batch.cells)),
        [
            alone(
                days.date(rng, "day", days.days(rng, heads, "running")),
                words.text("office", words.places(rng, heads), 15),
                number(rng, "documents", np.full(heads, size - 2), 3),
            ),
            alone(
                words.identifier("account", words.masked(rng, "99-999", lines)),
                number(rng, "amount", amount, 8, sign=one_of(rng, *MONEY), decimals=2),
                words.code(rng, "reason", lines, 2, letters=True),
                words.remarks(rng, "narrative", lines, 18, 0.9),
            ),
            alone(
                number(rng, "count", np.full(ends, size - 2), 5),
                number(rng, "total", balances(rng, ends, 900000), 10, sign="overpunch-right"),
            ),
        ],
        labels,
        ("header", "detail", "trailer"),
        which,
        number_of_batch,
    )


def freight(rng: Random, cards: int) -> Draft:
    """A list of wagons: number, goods, weights, from, to, day and month."""
    tare = amounts(rng, cards, 20000, "normal")
    gross = tare + amounts(rng, cards, 30000, "uniform")
    values, check = words.checked(rng, cards, 7)
    return Draft(
        cards,
        alone(
            words.identifier("wagon", values, check),
            words.code(rng, "goods", cards, 3, count=25, letters=False),
            number(rng, "tare", tare, 5),
            number(rng, "gross", gross, 6),
            words.code(rng, "from", cards, 4, count=30, letters=True),
            words.code(rng, "to", cards, 4, count=30, letters=True),
            days.date(
                rng,
                "sent",
                days.days(rng, cards, "years"),
                form=one_of(rng, "DDMM", "MMDD", "DDMMYY"),
            ),
            words.flag(rng, "dangerous", cards, 0.03),
            number(rng, "axles", rng.choice([2, 4, 6], cards), 1),
        ),
    )


def waybills(rng: Random, cards: int) -> Draft:
    """A first card with names, then lines; the mark is a number of two columns."""
    first = rng.random(cards) < rng.uniform(0.15, 0.4)
    first[0] = True
    which = np.where(first, 0, 1)
    bill = np.cumsum(first)
    heads, lines = int(first.sum()), int((~first).sum())
    return Draft(
        cards,
        alone(number(rng, "bill", 40000 + bill, 6, fill="0")),
        [
            alone(
                words.text("sender", words.places(rng, heads), 16),
                words.text("receiver", words.places(rng, heads), 16),
                days.date(
                    rng, "day", days.days(rng, heads, "running"), form=one_of(rng, *days.LONG)
                ),
            ),
            alone(
                number(rng, "pieces", amounts(rng, lines, 90, "counts"), 3),
                words.text("goods", words.things(rng, lines), 18),
                pointed(rng, "weight", rng.lognormal(4, 1, lines), 8, 1),
                number(rng, "charge", amounts(rng, lines, 80000, "skewed"), 7, decimals=2),
            ),
        ],
        (("10", "20"), ("A", "B"), ("WB", "WL"))[int(rng.integers(3))],
        ("bill", "line"),
        which,
    )


def ledger(rng: Random, cards: int) -> Draft:
    """Entries of a ledger with a minus behind the amount."""
    amount = balances(rng, cards, 200000)
    sign = one_of(rng, *MONEY)
    side = words.listed("side", ("D", "C"), (amount < 0).astype(np.int64))
    return Draft(
        cards,
        alone(
            words.code(rng, "account", cards, 5, count=60, letters=False),
            words.code(rng, "centre", cards, 3, count=20),
            days.date(rng, "day", days.days(rng, cards, one_of(rng, "running", "months"))),
            words.identifier("voucher", words.serials(cards, 5, int(rng.integers(1, 9000)))),
            words.text("narrative", words.things(rng, cards), 20),
        )
        + (
            [together(number(rng, "amount", amount, 9, sign=sign, decimals=2))]
            if chance(rng, 0.7)
            else [together(number(rng, "amount", np.abs(amount), 9, decimals=2), side, gap=1)]
        ),
    )


def budget(rng: Random, cards: int) -> Draft:
    """Six or twelve months of amounts on a card."""
    times, width = (12, 5) if chance(rng, 0.5) else (6, 8)
    sign = one_of(rng, *MONEY)
    fill = one_of(rng, "0", " ")
    groups = [
        [number(rng, "month", balances(rng, cards, 10 ** (width - 2)), width, sign=sign, fill=fill)]
        for _ in range(times)
    ]
    return Draft(
        cards,
        [
            *alone(
                words.identifier(
                    "account",
                    words.masked(rng, one_of(rng, "9999", "A9999"), cards)
                    if cards < 5000
                    else words.serials(cards, 6),
                ),
                words.constant("year", cards, str(int(rng.integers(1955, 1985)))),
            ),
            several(groups, 0, 0),
        ],
        shuffled=False,
    )


def calls(rng: Random, cards: int) -> Draft:
    """Tickets of calls: times, durations, exchanges."""
    seconds = (
        np.sort(rng.integers(0, 86400, cards))
        if chance(rng, 0.5)
        else rng.integers(0, 86400, cards)
    )
    return Draft(
        cards,
        alone(
            days.date(rng, "day", days.days(rng, cards, one_of(rng, "few", "running", "month"))),
            days.time(rng, "begun", seconds),
            number(rng, "seconds", amounts(rng, cards, 3000, "tail"), 5),
            words.code(rng, "from", cards, 3, count=12, letters=False),
            words.code(rng, "to", cards, 3, count=40, letters=False),
            words.code(rng, "class", cards, 1, letters=True),
            number(rng, "charge", amounts(rng, cards, 900, "skewed"), 4, decimals=2),
        ),
        widths=(39, 48, 80),
    )


def land(rng: Random, cards: int) -> Draft:
    """Parcels of land: folios of letters and digits, areas, use, names of fields."""
    folio = words.masked(rng, one_of(rng, "A999/99", "99A9", "AA-9999", "999A99"), cards)
    return Draft(
        cards,
        alone(
            words.code(rng, "parish", cards, 2, count=14, letters=False),
            words.identifier("folio", folio),
            pointed(rng, "area", rng.lognormal(1.5, 1.1, cards), 8, 3),
            words.code(rng, "use", cards, 1, letters=True),
            words.text("field", words.places(rng, cards), 18),
            days.date(
                rng,
                "since",
                days.days(rng, cards, "years"),
                blank=holes_in(rng, cards),
                form="MMYY",
            ),
            number(rng, "rate", amounts(rng, cards, 9000, "rounded"), 6, left=chance(rng, 0.5)),
        ),
        widths=(80, 64, 96),
    )


def timetable(rng: Random, cards: int) -> Draft:
    """Stops with their times, as many as there are, blank behind the last."""
    stops = int(rng.integers(3, 8))
    used = rng.integers(2, stops + 1, cards)
    start = rng.integers(4 * 3600, 20 * 3600, cards)
    groups = []
    for k in range(stops):
        gone = used <= k
        groups.append(
            [
                words.code(rng, "stop", cards, 3, count=25, letters=True, blank=gone),
                days.time(rng, "time", start + k * 700, form="HHMM", blank=gone),
            ]
        )
    return Draft(
        cards,
        [
            *alone(
                words.identifier(
                    "train",
                    words.masked(rng, "9999", cards) if cards < 5000 else words.serials(cards, 5),
                ),
                words.code(rng, "days", cards, 1, count=6),
            ),
            several(groups, 0, int(rng.integers(0, 2))),
        ],
        shuffled=False,
    )


FAMILIES: tuple[Callable[[Random, int], Draft], ...] = (
    stock_master,
    stock_moves,
    batches,
    freight,
    waybills,
    ledger,
    budget,
    calls,
    land,
    timetable,
)

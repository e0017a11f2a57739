"""Families of decks of which little or nothing can be told, or whose order is in their sections."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from . import days, words
from .amounts import Random, amounts, holes_in, number, one_of, rows
from .model import Draft, Form, Item, Run, alone, several

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
VERBS = ("TAKE", "ADD", "MOVE", "READ", "PRINT", "GO TO", "IF", "CALL", "SET", "STOP")


def _prose(rng: Random, width: int) -> str:
    made = ""
    while len(made) < width:
        length = int(rng.integers(1, 10))
        made += "".join(LETTERS[k] for k in rng.integers(0, 26, length).tolist()) + " "
    return made[: int(rng.integers(width // 3, width))]


def prose(rng: Random, cards: int) -> Draft:
    """Words that run on from card to card; no columns at all."""
    width = int(rng.integers(60, 73))
    lines = [_prose(rng, width) for _ in range(min(cards, 1500))]
    line = words.text("words", lines, width)
    return Draft(len(lines), alone(line), shuffled=False)


def random_digits(rng: Random, cards: int) -> Draft:
    """Digits drawn at random in every column: in groups of five, or one block of seventy."""
    if rng.random() < 0.5:
        return Draft(cards, alone(_drawn(rng, cards, 70)), shuffled=False, headings=False)
    groups = [[_drawn(rng, cards, 5)] for _ in range(12)]
    return Draft(cards, [several(groups, 0, 1)], shuffled=False, headings=False)


def _drawn(rng: Random, cards: int, width: int) -> Item:
    cells = rng.integers(48, 58, (cards, width)).astype(np.uint8)
    return Item("digits", Form("identifier", fill="0"), cells)


def programs(rng: Random, cards: int) -> Draft:
    """Statements: a label in the first columns of some, text behind it."""
    texts = [
        f"{one_of(rng, *VERBS)} {_prose(rng, 30)}{int(rng.integers(0, 999))}" for _ in range(cards)
    ]
    labels = amounts(rng, cards, 9999, "rounded") + 10
    blank = rng.random(cards) < 0.8
    return Draft(
        cards,
        [
            Run(
                (
                    number(rng, "label", labels, 5, left=True, blank=blank),
                    words.text("statement", texts, 60),
                ),
                (1, 0),
            )
        ],
        shuffled=False,
    )


def counts_only(rng: Random, cards: int) -> Draft:
    """Many counts side by side, without a gap, of different widths."""
    items = [
        number(
            rng, f"count_{k}", amounts(rng, cards, 10**width - 1), width, blank=holes_in(rng, cards)
        )
        for k, width in enumerate(rng.integers(1, 7, 12).tolist())
    ]
    return Draft(cards, [Run(tuple(items), (0,) * len(items))], shuffled=False)


def sections(rng: Random, cards: int) -> Draft:
    """Section cards with a word in front; behind them details that count from 1 again."""
    first = rng.random(cards) < rng.uniform(0.03, 0.12)
    first[0] = True
    which = np.where(first, 0, 1)
    section = np.cumsum(first)
    heads, lines = int(first.sum()), int((~first).sum())
    word = one_of(rng, "SECT", "PART", "ROOM")
    other = one_of(rng, "ITEM", "    ", "LINE")
    return Draft(
        cards,
        [],
        [
            alone(
                number(rng, "section", np.arange(1, heads + 1), 4, fill=" "),
                words.text("title", words.places(rng, heads), 20),
                days.date(rng, "day", days.days(rng, heads, "years"), form=one_of(rng, *days.LONG)),
            ),
            alone(
                words.identifier("thing", words.masked(rng, "AA9999", lines)),
                words.text("name", words.things(rng, lines), 20),
                number(rng, "number", amounts(rng, lines, 500, "counts"), 4),
            ),
        ],
        (word, other),
        ("section", "line"),
        which,
        section,
        shuffled=False,
    )


def six_types(rng: Random, cards: int) -> Draft:
    """Three to six types told by two digits or a letter, all of them different."""
    kinds = int(rng.integers(3, 7))
    which = (
        np.sort(rng.integers(0, kinds, cards))
        if rng.random() < 0.4
        else rng.integers(0, kinds, cards)
    )
    labels = [f"{10 * (k + 1):02}" for k in range(kinds)]
    if rng.random() < 0.5:
        labels = list("ABCDEF"[:kinds])
    own = []
    for kind in range(kinds):
        mine = int((which == kind).sum())
        makers: list[Callable[[], Item]] = [
            lambda n=mine: words.text("name", words.places(rng, n), 14),
            lambda n=mine: number(rng, "count", amounts(rng, n, 9999), 5),
            lambda n=mine: days.date(rng, "day", days.days(rng, n)),
            lambda n=mine: words.code(rng, "class", n, 2),
            lambda n=mine: words.identifier("mark", words.masked(rng, "A9999", n)),
            lambda n=mine: words.flag(rng, "flag", n),
            lambda n=mine: words.remarks(rng, "remark", n, 15),
        ]
        own.append(alone(*(makers[k]() for k in rng.permutation(7)[: int(rng.integers(3, 6))])))
    key = number(rng, "unit", np.sort(amounts(rng, cards, 9999, "uniform")), 4, fill="0")
    return Draft(
        cards, alone(key), own, labels, [f"kind_{label.lower()}" for label in labels], which
    )


def sparse(rng: Random, cards: int) -> Draft:
    """Columns that are blank on nearly all cards."""
    return Draft(
        cards,
        alone(
            words.identifier("key", words.masked(rng, "99999", cards)),
            number(
                rng,
                "seldom",
                amounts(rng, cards, 999, "skewed"),
                4,
                blank=holes_in(rng, cards, 0.97),
            ),
            days.date(
                rng, "ended", days.days(rng, cards, "years"), blank=holes_in(rng, cards, 0.9)
            ),
            words.code(rng, "cause", cards, 1, blank=holes_in(rng, cards, 0.9)),
            Item("word", Form("text", justify="left"), rows(_now_and_then(rng, cards), 20)),
        ),
    )


def _now_and_then(rng: Random, cards: int) -> list[str]:
    made = [""] * cards
    for at in rng.integers(0, cards, max(cards // 40, 1)).tolist():
        made[at] = _prose(rng, 20)
    return made


FAMILIES: tuple[Callable[[Random, int], Draft], ...] = (
    prose,
    random_digits,
    programs,
    counts_only,
    sections,
    six_types,
    sparse,
)

"""Invented decks of one card type with known fields, from which the weights of spans are learnt.

All of it is made by chance: nothing stands for a person, a firm or a place. Whoever measures how
well fields are found must use other decks, made by somebody who has not seen these.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Field = tuple[list[str], int]
"""What stands in the columns of each card, and how wide it is."""

Maker = Callable[[Generator, int], Field]
Truth = list[tuple[int, int]]
"""First and last column of each field, from 0; columns between them are not used."""

WIDTH = 80

_PIECES = (
    "ba", "lo", "mer", "tin", "or", "ka", "sel", "vin", "dor", "ham", "wick", "ley", "ton", "ford",
    "mar", "is", "el", "un", "po", "ri", "sten", "gar", "bro", "eld", "ash",
)  # fmt: skip
_PLUS, _MINUS = "{ABCDEFGHI", "}JKLMNOPQR"
_LETTERS = list("ABCDEFGHIJKLMNOPQRSTUVWXYZ")


def invented_deck(seed: int) -> tuple[NDArray[np.uint8], Truth]:
    """Return a deck uint8 (n, 80), of 20 to 3,000 cards, and its fields."""
    random = np.random.default_rng(seed)
    count = int(10 ** random.uniform(1.3, 3.5))
    spaced, grouped = random.random() < 0.4, random.random() < 0.4
    room = 72 if random.random() < 0.5 else WIDTH
    columns: list[list[str]] = []
    truth: Truth = []
    at = 0
    while at < room - 1:
        makers = _group(random) if grouped and random.random() < 0.3 else [_one(random)]
        for maker in makers:
            texts, width = maker(random, count)
            if at + width > room:
                at = room
                break
            columns.append(texts)
            truth.append((at, at + width - 1))
            at += width
            if spaced and at < room:
                columns.append([" "] * count)
                at += 1
    used = sum(len(texts[0]) for texts in columns)
    columns.append([" " * (room - used)] * count)
    if room < WIDTH:
        _numbered(random, count, columns, truth)
    rows = "".join("".join(cells) for cells in zip(*columns, strict=True))
    return np.frombuffer(rows.encode("ascii"), np.uint8).reshape(count, WIDTH), truth


def _one(random: Generator) -> Maker:
    makers = (
        _number, _number, _number, _identifier, _mixed, _signed, _signed, _point, _exponent, _text,
        _text, _code, _code, _code, _date, _hour, _constant, _nothing,
    )  # fmt: skip
    return makers[random.integers(len(makers))]


def _group(random: Generator) -> list[Maker]:
    """Return some makers several times over: fields of one shape with other contents each time."""
    seeds = [int(random.integers(1 << 30)) for _ in range(random.integers(1, 4))]
    makers = [_one(random) for _ in seeds]

    def again(maker: Maker, seed: int) -> Maker:
        def made(others: Generator, count: int) -> Field:
            texts, width = maker(np.random.default_rng(seed), count)
            shift = int(others.integers(1, count))
            return texts[shift:] + texts[:shift], width

        return made

    copies = int(random.integers(3, 11))
    return [again(*pair) for _ in range(copies) for pair in zip(makers, seeds, strict=True)]


def _numbered(random: Generator, count: int, columns: list[list[str]], truth: Truth) -> None:
    name = int(random.integers(0, 5))
    if name:
        columns.append(["".join(random.choice([*"0129ABXY"], name))] * count)
        truth.append((72, 71 + name))
    width = 8 - name
    step = 10 if width > 4 else 1
    columns.append([f"{(card + 1) * step % 10**width:0{width}d}" for card in range(count)])
    truth.append((72 + name, 79))


def _values(random: Generator, width: int, count: int) -> NDArray[np.int64]:
    """Return whole numbers of at most so many digits, distributed in one of several ways."""
    top = 10**width - 1
    way = random.integers(5)
    if way == 0:
        found = random.integers(0, 10**width, count)
    elif way == 1:
        found = 10 ** random.uniform(0, width, count)
    elif way == 2:
        spread = max(1, 10**width * random.uniform(0.01, 0.2))
        found = random.normal(random.integers(0, 10**width), spread, count)
    elif way == 3:
        found = random.exponential(10**width * random.uniform(0.02, 0.2), count)
    else:
        found = 10**width * random.beta(1.2, random.uniform(2, 12), count)
    return np.clip(found.astype(np.int64), 0, top)


def _missing(random: Generator, texts: list[str], width: int) -> list[str]:
    if random.random() > 0.3:
        return texts
    share, stands = random.uniform(0.01, 0.6), random.choice([" ", "9", " "]) * width
    return [stands if random.random() < share else text for text in texts]


def _number(random: Generator, count: int) -> Field:
    width = int(random.integers(2, 10))
    fill = "0" if random.random() < 0.5 else ">"
    texts = [f"{value:{fill}{width}d}" for value in _values(random, width, count)]
    return _missing(random, texts, width), width


def _identifier(random: Generator, count: int) -> Field:
    width = int(random.integers(3, 10))
    least = 10 ** (width - 1) if random.random() < 0.6 else 0
    pool = random.integers(least, 10**width, max(2, int(count * random.uniform(0.05, 1))))
    if random.random() < 0.3:
        pool.sort()
    places = random.integers(0, len(pool), count)
    if random.random() < 0.4:
        places.sort()
    texts = [f"{value:0{width}d}" for value in pool[places]]
    return _missing(random, texts, width), width


def _mixed(random: Generator, count: int) -> Field:
    form = "".join(random.choice(list("A9-"), int(random.integers(3, 9)), p=[0.35, 0.6, 0.05]))
    form = form.strip("-") + "9"
    form = form if "A" in form else f"A{form}"
    letters = list(random.choice(_LETTERS, int(random.integers(1, 21)), replace=False))
    signs = {"A": letters, "9": list("0123456789"), "-": ["-"]}
    pool = [
        "".join(random.choice(signs[sign]) for sign in form)
        for _ in range(min(2_000, max(3, int(count * random.uniform(0.02, 1)))))
    ]
    return _missing(random, list(random.choice(pool, count)), len(form)), len(form)


def _signed(random: Generator, count: int) -> Field:
    width = int(random.integers(2, 8))
    share = random.uniform(0.03, 0.5)
    values = _values(random, width - 1, count) * np.where(random.random(count) < share, -1, 1)
    way = random.integers(7)
    if way == 0:
        texts = [f"{value:>{width}d}" for value in values]
    elif way == 1:
        texts = [f"{'-' if value < 0 else '+'}{abs(value):0{width - 1}d}" for value in values]
    elif way == 2:
        texts = [f"{'-' if value < 0 else ' '}{abs(value):0{width - 1}d}" for value in values]
    elif way == 3:
        plus = random.choice([" ", "+"])
        texts = [f"{'-' if value < 0 else plus}{abs(value):>{width - 1}d}" for value in values]
    elif way == 4:
        texts = [f"{abs(value):0{width - 1}d}{'-' if value < 0 else ' '}" for value in values]
    else:
        plus = _PLUS if way == 5 else "0123456789"
        texts = [
            f"{abs(value):0{width}d}"[:-1] + (_MINUS if value < 0 else plus)[abs(value) % 10]
            for value in values
        ]
    return _missing(random, texts, width), width


def _point(random: Generator, count: int) -> Field:
    decimals = int(random.choice([1, 1, 2, 2, 3, 3, 4, 5, 6, 7]))
    width = int(random.integers(decimals + 2, decimals + 7))
    values = _values(random, width - 2, count) / 10**decimals
    if random.random() < 0.5:
        values *= np.where(random.random(count) < 0.2, -1, 1)
    fill = "0" if random.random() < 0.3 else ""
    texts = [f"{value:{fill}{width}.{decimals}f}" for value in values]
    if random.random() < 0.2:
        texts = [text.replace(" 0.", "  .") for text in texts]
    width = max(map(len, texts))
    return _missing(random, [text.rjust(width) for text in texts], width), width


def _exponent(random: Generator, count: int) -> Field:
    decimals = int(random.integers(1, 6))
    low, high = sorted(random.uniform(-9, 9, 2))
    values = 10 ** random.uniform(low, high, count) * np.where(random.random(count) < 0.2, -1, 1)
    texts = [f"{value:.{decimals}E}" for value in values]
    way = random.integers(4)
    if way == 1:
        texts = [text.replace("E-0", "E-").replace("E+0", "E+") for text in texts]
    elif way == 2:
        texts = [text.replace("E-0", "-").replace("E+0", "+") for text in texts]
    elif way == 3:
        texts = [text.replace("E", "D") for text in texts]
    width = max(map(len, texts)) + int(random.integers(0, 3))
    return _missing(random, [text.rjust(width) for text in texts], width), width


def _text(random: Generator, count: int) -> Field:
    width = int(random.integers(4, 25))
    pool = []
    for _ in range(int(random.integers(5, 400))):
        words = random.integers(1, 4)
        said = " ".join(
            "".join(random.choice(_PIECES, random.integers(1, 5))) for _ in range(words)
        )
        number = f" {random.integers(1, 99)}" if random.random() < 0.1 else ""
        pool.append(f"{said}{number}".upper()[:width].ljust(width))
    return _missing(random, list(random.choice(pool, count)), width), width


def _code(random: Generator, count: int) -> Field:
    width = int(random.integers(1, 4))
    signs = list(random.choice(["0123456789", "".join(_LETTERS), "123456789 "]))
    some = random.integers(2, 10)
    pool = sorted({"".join(random.choice(signs, width)) for _ in range(some)})
    shares = random.dirichlet(np.ones(len(pool)) * random.uniform(0.5, 4))
    return list(random.choice(pool, count, p=shares)), width


def _date(random: Generator, count: int) -> Field:
    form = random.choice(
        [
            "%y%m%d",
            "%Y%m%d",
            "%d%m%y",
            "%d%m%Y",
            "%m%d%y",
            "%m%d%Y",
            "%y%j",
            "%Y%j",
            "%d/%m/%y",
            "%y/%m/%d",
            "%y%m",
            "%Y%m",
            "%m%d",
            "%d.%m.%Y",
            "%Y-%m-%d",
        ]
    )
    days = np.array(random.integers(0, random.integers(200, 9_000), count))
    if random.random() < 0.3:
        days.sort()
    first = dt.date(1950, 1, 1)
    texts = [(first + dt.timedelta(days=int(day))).strftime(form) for day in days]
    return _missing(random, texts, len(texts[0])), len(texts[0])


def _hour(random: Generator, count: int) -> Field:
    parts = int(random.integers(1, 4))
    rows = zip(*(random.integers(0, most, count) for most in (24, 60, 60)[:parts]), strict=True)
    return ["".join(f"{part:02d}" for part in row) for row in rows], 2 * parts


def _constant(random: Generator, count: int) -> Field:
    width = int(random.integers(1, 5))
    return ["".join(random.choice([*"ABCXY0129"], width))] * count, width


def _nothing(random: Generator, count: int) -> Field:
    width = int(random.integers(1, 7))
    return [" " * width] * count, width

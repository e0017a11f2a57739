"""What is punched: invented texts, and their holes by ANSI X3.26 and its 8-bit kin.

Every character here has the same holes in the default code of a job.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .geometry import COLUMNS, ROW_NAMES, ROWS
from .noise import Rng

KINDS = ("stores", "rain", "list", "dense", "signed", "sparse", "single")
"""Kinds of cards with something punched."""

_SPECIAL = {
    "&": "12", "-": "11", "/": "0 1", ".": "12 8 3", "(": "12 8 5", "+": "12 8 6", "$": "11 8 3",
    "*": "11 8 4", ")": "11 8 5", ",": "0 8 3", "%": "0 8 4", ":": "8 2", "#": "8 3", "@": "8 4",
    "'": "8 5", "=": "8 6", "{": "12 0", "}": "11 0",
}  # fmt: skip


def _code() -> dict[str, tuple[str, ...]]:
    code = {letter: tuple(rows.split()) for letter, rows in _SPECIAL.items()}
    code |= {str(digit): (str(digit),) for digit in range(10)}
    for zone, letters, first in (
        ("12", "ABCDEFGHI", 1),
        ("11", "JKLMNOPQR", 1),
        ("0", "STUVWXYZ", 2),
    ):
        code |= {letter: (zone, str(first + number)) for number, letter in enumerate(letters)}
    code[" "] = ()
    return code


CODE = _code()


def holes_of(text: str) -> NDArray[np.bool_]:
    """Return where the holes of a text are: 12 rows, row 12 first, by 80 columns."""
    holes = np.zeros((ROWS, COLUMNS), bool)
    for column, letter in enumerate(text.ljust(COLUMNS)[:COLUMNS]):
        for row in CODE[letter]:
            holes[ROW_NAMES.index(row), column] = True
    return holes


def _word(rng: Rng, least: int = 3, most: int = 9) -> str:
    syllables = ("BA", "DEL", "FOR", "GIN", "HO", "KER", "LAM", "MI", "NOR", "PES", "QUA", "RUT",
                 "SO", "TAV", "UL", "VEN", "WIS", "XA", "YR", "ZOT")  # fmt: skip
    length = int(rng.integers(least, most + 1))
    return "".join(rng.choice(syllables) for _ in range(length))[:length]


def _digits(rng: Rng, number: int) -> str:
    return "".join(str(digit) for digit in rng.integers(0, 10, number))


def _stores(rng: Rng) -> str:
    price = f"{rng.integers(1, 99999) / 100:9.2f}"
    names = f"{_word(rng):<10}{_word(rng):<12}"
    return f"{_digits(rng, 7)} {names}{price} {rng.integers(1, 999):>4} {_digits(rng, 6)}  A"


def _rain(rng: Rng) -> str:
    days = "".join(f"{int(rng.gamma(0.4, 60)):>4}" for _ in range(15))
    return f"{_digits(rng, 6)}19{rng.integers(30, 70):02}{rng.integers(1, 13):02} {days}"


def _list(rng: Rng) -> str:
    left = f"{_word(rng, 3, 6)} = ({_word(rng, 1, 3)}+{_digits(rng, 2)})/{_digits(rng, 1)}"
    return f"      {left}, '{_word(rng)}' * {_word(rng, 2, 5)} - {_digits(rng, 3)}".ljust(72)[
        :72
    ] + _digits(rng, 8)


def _signed(rng: Rng) -> str:
    fields = [_digits(rng, 6) + rng.choice(list("{ABCDEFGHI}JKLMNOPQR")) for _ in range(9)]
    return f"{_digits(rng, 5)} {' '.join(fields)}"


def _sparse(rng: Rng) -> str:
    text = [" "] * COLUMNS
    for column in rng.choice(COLUMNS, int(rng.integers(4, 16)), replace=False):
        text[column] = str(rng.choice(list("0123456789AKS-&")))
    return "".join(text)


def text_of(rng: Rng, kind: str) -> str:
    """Return 80 characters of one kind; `blank` has none that is punched."""
    if kind == "single":
        text = [" "] * COLUMNS
        text[int(rng.integers(0, COLUMNS))] = str(rng.choice(list("123456789AJT")))
        return "".join(text)
    makers = {"stores": _stores, "rain": _rain, "list": _list, "signed": _signed, "sparse": _sparse}
    text = (
        "" if kind == "blank" else _digits(rng, COLUMNS) if kind == "dense" else makers[kind](rng)
    )
    return text.ljust(COLUMNS)[:COLUMNS]

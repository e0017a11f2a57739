"""Names, remarks, codes, identifiers with and without check digits, flags, and columns of holes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .amounts import Random, Whole, chance, one_of, rows
from .model import BLANK, Form, Item, Patterns

STARTS = ("BRA", "CO", "DEL", "FEN", "GOR", "HA", "IL", "KES", "LUN", "MOR", "NAR", "OS", "PEL")
MIDDLES = ("", "", "LA", "BER", "NI", "TO", "VEN", "DO", "RI", "SA")
ENDS = ("TON", "DALE", "MERE", "WICK", "HOLM", "FORD", "STAD", "NESS", "BY", "GATE", "MOOR", "VALE")
THINGS = ("BOLT", "WASHER", "RING", "VALVE", "PLATE", "BEARING", "HOSE", "GASKET", "PIN", "LAMP")
MADE_OF = (
    "STEEL",
    "BRASS",
    "RUBBER",
    "ZINC",
    "OAK",
    "GREY",
    "SMALL",
    "LARGE",
    "M8",
    "2 IN",
    "NO.3",
)
REMARKS = (
    "SEE BOOK 4",
    "ILLEGIBLE",
    "GAUGE MOVED",
    "OVERFLOW",
    "AS REPORTED",
    "CHECKED",
    "NOT VISITED",
    "ESTIMATED FROM CHART",
    "LID OPEN",
    "REPAIRED, SEE SHEET 12",
)
SPECIALS = "-+*/&.,$"


def _pick(rng: Random, values: Sequence[str], cards: int) -> list[str]:
    return [values[k] for k in rng.integers(0, len(values), cards).tolist()]


def places(rng: Random, count: int) -> list[str]:
    """Names of invented places."""
    made = zip(*(_pick(rng, each, count) for each in (STARTS, MIDDLES, ENDS)), strict=True)
    return [
        "".join(name) + (" " + one_of(rng, "NORTH", "SOUTH", "ST.") if chance(rng, 0.1) else "")
        for name in made
    ]


def things(rng: Random, count: int) -> list[str]:
    """Names of things in a store."""
    made = zip(_pick(rng, THINGS, count), _pick(rng, MADE_OF, count), strict=True)
    return [", ".join(name) for name in made]


def text(name: str, values: Sequence[str], width: int) -> Item:
    """Words, at the left of their columns."""
    return Item(name, Form("text", justify="left"), rows(list(values), width))


def remarks(rng: Random, name: str, cards: int, width: int, share: float | None = None) -> Item:
    """Remarks, on some of the cards."""
    share = share if share is not None else float(rng.uniform(0.03, 0.5))
    some = rng.random(cards) < share
    some[0] = True
    words = _pick(rng, REMARKS, cards)
    return text(name, [word if on else "" for word, on in zip(words, some, strict=True)], width)


def code(
    rng: Random,
    name: str,
    cards: int,
    width: int = 1,
    *,
    count: int = 0,
    letters: bool | None = None,
    blank: NDArray[np.bool_] | None = None,
) -> Item:
    """One of a few values, some of them more often than others."""
    letters = chance(rng, 0.4) if letters is None else letters
    count = count or int(rng.integers(2, 8 if width == 1 else 20))
    signs = "ABCDEFGHJKLMNPRSTUVWXYZ" if letters else "0123456789"
    values: list[str] = []
    while len(values) < min(count, len(signs) ** width):
        value = "".join(_pick(rng, signs, width))
        if value not in values:
            values.append(value)
    weights = 1 / np.arange(1, len(values) + 1) ** rng.uniform(0, 1.6)
    chosen = rng.choice(len(values), cards, p=weights / weights.sum())
    cells = rows([values[k] for k in chosen.tolist()], width)
    if blank is not None:
        cells[blank] = BLANK
    return Item(name, Form("code"), cells)


def listed(name: str, values: Sequence[str], chosen: Whole) -> Item:
    """One of a list of values of one width, as chosen card by card."""
    return Item(name, Form("code"), rows([values[k] for k in chosen.tolist()], len(values[0])))


def masked(rng: Random, mask: str, count: int) -> list[str]:
    """Different identifiers of a mask: A for a letter, 9 for a digit, all else for itself."""
    signs = {"A": "ABCDEFGHJKLMNPRSTUVWXYZ", "9": "0123456789"}
    made: dict[str, None] = {}
    while len(made) < count:
        made["".join(one_of(rng, *signs[sign]) if sign in signs else sign for sign in mask)] = None
    return list(made)


def identifier(name: str, values: Sequence[str], check: str = "") -> Item:
    """Numbers of things, as they stand; `check` says how the last digit was made."""
    width = max(map(len, values))
    return Item(name, Form("identifier", fill="0", check=check), rows(list(values), width))


def serials(count: int, width: int, start: int = 1, step: int = 1) -> list[str]:
    """Numbers that ascend, with zeros before them."""
    return [f"{(start + step * k) % 10**width:0{width}}" for k in range(count)]


def luhn(number: str) -> str:
    """Check digit by ISO/IEC 7812-1 annex B."""
    total = 0
    for at, sign in enumerate(reversed(number)):
        twice = int(sign) * (2 - at % 2)
        total += twice - 9 if twice > 9 else twice
    return str(-total % 10)


def mod11(number: str) -> str:
    """Weights 2 to 7 from the right; the digit makes the sum a multiple of 11; may be 10."""
    return str(-sum(int(sign) * (2 + at % 6) for at, sign in enumerate(reversed(number))) % 11)


def mod10(number: str) -> str:
    """Weights 3 and 1 from the right; the digit makes the sum a multiple of 10."""
    return str(
        -sum(int(sign) * (3 - 2 * (at % 2)) for at, sign in enumerate(reversed(number))) % 10
    )


SCHEMES = {"luhn": luhn, "mod11": mod11, "mod10": mod10}


def checked(rng: Random, count: int, width: int) -> tuple[list[str], str]:
    """Different numbers with their check digit, `width` columns in all; and the scheme.

    Numbers whose digit would be 10 are not given out.
    """
    scheme = one_of(rng, *SCHEMES)
    made: dict[str, None] = {}
    while len(made) < count:
        body = f"{int(rng.integers(1, 10 ** (width - 1))):0{width - 1}}"
        number = body + SCHEMES[scheme](body)
        if len(number) == width:
            made[number] = None
    return list(made), scheme


def flag(rng: Random, name: str, cards: int, share: float | None = None) -> Item:
    """A mark behind a value, blank on most cards."""
    share = share if share is not None else float(rng.uniform(0.01, 0.4))
    signs = _pick(rng, "EGTRXBJ*+QS", int(rng.integers(1, 4)))
    some = rng.random(cards) < share
    some[0] = True
    marks = _pick(rng, signs, cards)
    values = [mark if on else " " for mark, on in zip(marks, some, strict=True)]
    return Item(name, Form("flag"), rows(values, 1))


def quality(rng: Random, name: str, cards: int) -> Item:
    """A digit of quality before a value; most are the same."""
    return code(rng, name, cards, 1, count=int(rng.integers(2, 6)), letters=False)


def constant(name: str, cards: int, value: str) -> Item:
    """The same on every card."""
    return Item(name, Form("constant"), rows([value] * cards, len(value)))


def answers(rng: Random, name: str, cards: int) -> Item:
    """A column in which each row answers for itself, so that several holes may stand."""
    shares = rng.beta(0.8, 2.0, 12) * (rng.random(12) < rng.uniform(0.4, 1))
    punched = rng.random((cards, 12)) < shares
    holes: Patterns = (punched * (1 << np.arange(11, -1, -1))).sum(axis=1).astype(np.uint16)
    return Item(name, Form("holes"), np.full((cards, 1), BLANK, np.uint8), holes[:, None])

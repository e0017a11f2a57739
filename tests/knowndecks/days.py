"""Days and times, and the ways in which they were punched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .amounts import Random, chance, number, one_of, rows
from .model import BLANK, Form, Item

Days = NDArray[np.datetime64]
SPREADS = ("month", "months", "running", "years", "few")
FORMS = (
    "YYMMDD",
    "YYYYMMDD",
    "DDMMYY",
    "MMDDYY",
    "MMYY",
    "YYMM",
    "YYYYMM",
    "YYDDD",
    "YYYYDDD",
    "DDMM",
    "MMDD",
    "DD/MM/YY",
    "DD.MM.YY",
    "YYYY-MM-DD",
)
LONG = ("YYMMDD", "YYYYMMDD", "DDMMYY", "MMDDYY", "YYDDD", "YYYYDDD", "DD/MM/YY", "YYYY-MM-DD")
"""Forms that say the whole day."""

TIMES = ("HHMM", "HHMMSS", "HH.MM", "HH:MM:SS")


def days(rng: Random, cards: int, spread: str = "") -> Days:
    """Days from 1950 to 1985, in one of `SPREADS`: in one month, in order or not."""
    spread = spread or SPREADS[int(rng.integers(len(SPREADS)))]
    start = np.datetime64("1950-01-01") + int(rng.integers(0, 11000))
    match spread:
        case "month":
            offsets = rng.integers(0, 28, cards)
            start = start.astype("datetime64[M]").astype("datetime64[D]")
        case "months":
            offsets = rng.integers(0, int(rng.integers(60, 400)), cards)
        case "running":
            step = rng.uniform(0.2, 3)
            offsets = np.minimum((np.arange(cards) * step).astype(np.int64), 13000)
            start = start - offsets[-1] if offsets[-1] > 1500 else start
        case "few":
            offsets = rng.choice(rng.integers(0, 700, int(rng.integers(4, 20))), cards)
        case _:
            offsets = rng.integers(0, int(rng.integers(900, 7000)), cards)
            start = start - int(rng.integers(0, 3000))
    if chance(rng, 0.3):
        offsets = np.sort(offsets)
    made = start + offsets
    low = np.datetime64("1932-01-01")
    return np.maximum(made, low).astype("datetime64[D]")


def parts(when: Days) -> dict[str, NDArray[np.int64]]:
    """Year, month, day and day of the year."""
    years = when.astype("datetime64[Y]")
    months = when.astype("datetime64[M]")
    return {
        "YYYY": years.astype(np.int64) + 1970,
        "YY": (years.astype(np.int64) + 1970) % 100,
        "MM": months.astype(np.int64) % 12 + 1,
        "DDD": (when - years.astype("datetime64[D]")).astype(np.int64) + 1,
        "DD": (when - months.astype("datetime64[D]")).astype(np.int64) + 1,
    }


def date(
    rng: Random,
    name: str,
    when: Days,
    *,
    form: str = "",
    blank: NDArray[np.bool_] | None = None,
) -> Item:
    """A date in one of `FORMS`; where it has marks, its parts may begin with blanks."""
    form = form or FORMS[int(rng.integers(len(FORMS)))]
    marks = any(mark in form for mark in "/.")
    fill = " " if marks and chance(rng, 0.4) else "0"
    known = parts(when)
    pieces: list[list[str]] = []
    rest = form
    while rest:
        for part in ("YYYY", "YY", "MM", "DDD", "DD"):
            if rest.startswith(part):
                pieces.append([str(value).rjust(len(part), fill) for value in known[part].tolist()])
                rest = rest[len(part) :]
                break
        else:
            pieces.append([rest[0]] * len(when))
            rest = rest[1:]
    cells = rows(["".join(text) for text in zip(*pieces, strict=True)], len(form))
    if blank is not None:
        cells[blank] = BLANK
    return Item(name, Form("date", form, fill=fill), cells)


def part(rng: Random, name: str, when: Days, which: str) -> Item:
    """A year (YYYY or YY), month (MM) or day (DD) alone."""
    word = {"YYYY": "year", "YY": "year", "MM": "month", "DD": "day", "DDD": "day"}[which]
    fill = "0" if which.startswith("Y") or chance(rng, 0.7) else " "
    return number(rng, name, parts(when)[which], len(which), fill=fill, form=word)


def hours(rng: Random, name: str, values: NDArray[np.int64]) -> Item:
    """An hour alone."""
    return number(rng, name, values, 2, form="hour")


def time(
    rng: Random,
    name: str,
    seconds: NDArray[np.int64],
    *,
    form: str = "",
    blank: NDArray[np.bool_] | None = None,
) -> Item:
    """A time of day, from seconds after midnight, in one of `TIMES`."""
    form = form or one_of(rng, *TIMES)
    known = {"HH": seconds // 3600 % 24, "MM": seconds // 60 % 60, "SS": seconds % 60}
    texts = []
    for row in range(len(seconds)):
        text = form
        for which, values in known.items():
            text = text.replace(which, f"{int(values[row]):02}")
        texts.append(text)
    cells = rows(texts, len(form))
    if blank is not None:
        cells[blank] = BLANK
    return Item(name, Form("time", form, fill="0"), cells)

"""Kinds of card: cut, corners, colour, what is printed on the face. All designs are invented."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .geometry import CUTS, HEIGHT, LENGTH, PITCH, Points, column_centres, row_centres
from .glyphs import put, typeset
from .noise import Rng
from .sheet import Colour, Sheet

FACES = ("plain", "digits", "numbers", "boxes", "stripes", "form", "full", "frame")
"""Designs of a printed face; `plain` has no print at all."""

_PAPERS: dict[str, Colour] = {
    "buff": (0.80, 0.68, 0.46), "cream": (0.86, 0.80, 0.64), "white": (0.86, 0.86, 0.83),
    "rose": (0.80, 0.50, 0.47), "green": (0.50, 0.70, 0.48), "blue": (0.45, 0.60, 0.74),
    "yellow": (0.86, 0.74, 0.30), "salmon": (0.83, 0.55, 0.36), "brown": (0.55, 0.42, 0.27),
}  # fmt: skip
_INKS: tuple[Colour, ...] = (
    (0.05, 0.05, 0.06), (0.35, 0.05, 0.05), (0.05, 0.12, 0.4), (0.08, 0.3, 0.15), (0.45, 0.3, 0.15),
)  # fmt: skip
_HEADS = (
    "ITEM",
    "QTY",
    "DEPOT",
    "DAY",
    "STATION",
    "PRICE",
    "SHEET",
    "KIND",
    "TOTAL",
    "CODE",
    "LINE",
)


@dataclass(frozen=True, slots=True)
class Stock:
    """A kind of card."""

    cut: str
    rounded: bool
    paper: Colour
    paper_name: str
    face: str
    ink: Colour
    strength: float
    """How strong the print of the face is, from 0 to 1."""
    seed: int
    """What the design draws from, so that all cards of a stock have the same face."""


def draw_stock(rng: Rng) -> Stock:
    """Choose a kind of card."""
    name = str(rng.choice(list(_PAPERS), p=[0.3, 0.22, 0.12, 0.06, 0.06, 0.07, 0.08, 0.06, 0.03]))
    tint = rng.normal(1, 0.03, 3)
    red, green, blue = (
        float(np.clip(part * by, 0.03, 0.92)) for part, by in zip(_PAPERS[name], tint, strict=True)
    )
    return Stock(
        cut=str(rng.choice(CUTS, p=[0.55, 0.32, 0.13])),
        rounded=bool(rng.random() < 0.45),
        paper=(red, green, blue),
        paper_name=name,
        face=str(rng.choice(FACES, p=[0.24, 0.22, 0.1, 0.08, 0.08, 0.08, 0.14, 0.06])),
        ink=_INKS[int(rng.integers(len(_INKS)))],
        strength=float(rng.uniform(0.35, 0.95)),
        seed=int(rng.integers(2**31)),
    )


def print_face(sheet: Sheet, stock: Stock) -> None:
    """Print the face of a stock on a sheet that shows the front."""
    rng = np.random.default_rng(stock.seed)
    plans = {
        "plain": (),
        "digits": (_digits,),
        "numbers": (_numbers,),
        "boxes": (_boxes, _numbers),
        "stripes": (_stripes,),
        "form": (_form,),
        "full": (_digits, _numbers, _title),
        "frame": (_frame, _title),
    }
    for part in plans[stock.face]:
        part(sheet, stock, rng)


def _type_height(sheet: Sheet, millimetres: float) -> int:
    # a font's size is about 1.4 times the height of its capitals
    return max(5, round(millimetres * 1.4 * sheet.scale))


def _digits(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    canvas = sheet.canvas()
    height = _type_height(sheet, float(rng.uniform(1.5, 2.6)))
    rise = float(rng.normal(0, 0.25))
    every = int(rng.choice([1, 1, 1, 2]))
    for digit in range(10):
        letters = typeset(str(digit), height)
        for x in column_centres()[::every]:
            left, top = sheet.pixels((x, row_centres()[2 + digit] + rise))
            put(canvas, letters, left - letters.shape[1] / 2, top - letters.shape[0] / 2)
    sheet.ink(canvas, stock.ink, stock.strength)


def _numbers(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    canvas = sheet.canvas()
    height = _type_height(sheet, float(rng.uniform(0.8, 1.1)))
    between = rng.choice([2, 11, 6], size=int(rng.integers(1, 3)), replace=False)
    for row in between:
        y = row_centres()[row] + PITCH[1] / 2
        for column, x in enumerate(column_centres()):
            letters = typeset(str(column + 1), height)
            left, top = sheet.pixels((x, y))
            put(canvas, letters, left - letters.shape[1] / 2, top - letters.shape[0] / 2)
    sheet.ink(canvas, stock.ink, stock.strength)


def _fields(rng: Rng) -> list[int]:
    ends = np.cumsum(rng.integers(3, 14, 14))
    return [0, *(int(end) for end in ends if end < 78), 80]


def _edge(column: int) -> float:
    return float(column_centres()[0] + (column - 0.5) * PITCH[0])


def _boxes(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    canvas = sheet.canvas()
    ends = _fields(rng)
    top, bottom = 11.5, HEIGHT - 3.0
    lines = [np.array([(_edge(end), top), (_edge(end), bottom)]) for end in ends]
    lines += [np.array([(_edge(0), y), (_edge(80), y)]) for y in (top, top + 3.6, bottom)]
    sheet.lines(canvas, lines, float(rng.uniform(0.1, 0.3)))
    height = _type_height(sheet, 1.2)
    for start, end in pairwise(ends):
        letters = typeset(str(rng.choice(_HEADS)), height)
        left, up = sheet.pixels((_edge(start) + 0.5, top + 1.2))
        if left + letters.shape[1] < sheet.pixels((_edge(end), 0))[0]:
            put(canvas, letters, left, up)
    sheet.ink(canvas, stock.ink, stock.strength)


def _band(
    sheet: Sheet, corners: tuple[float, float, float, float], colour: Colour, strength: float
) -> None:
    left, top, right, bottom = corners
    canvas = sheet.canvas()
    sheet.fill(canvas, [(left, top), (right, top), (right, bottom), (left, bottom)])
    sheet.ink(canvas, colour, strength)


def _stripes(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    colour: Colour = (
        float(rng.uniform(0.2, 0.9)),
        float(rng.uniform(0.2, 0.9)),
        float(rng.uniform(0.2, 0.9)),
    )
    way = int(rng.integers(3))
    if way == 0:
        _band(sheet, (0, 0, LENGTH, float(rng.uniform(3, 9))), colour, 0.85)
    elif way == 1:
        for start in _fields(rng)[::2]:
            _band(sheet, (_edge(start), 0, _edge(start + 4), HEIGHT), colour, 0.45)
    else:
        for row in range(0, 12, 2):
            y = float(row_centres()[row])
            _band(sheet, (0, y - 1.6, LENGTH, y + 1.6), colour, 0.4)
    if rng.random() < 0.5:
        _digits(sheet, stock, rng)


def _form(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    canvas = sheet.canvas()
    left = float(rng.uniform(8, 90))
    for number in range(7):
        y = 14.0 + 8.5 * number
        sheet.lines(canvas, [np.array([(left, y), (min(left + 85, LENGTH - 6), y)])], 0.18)
        letters = typeset(str(rng.choice(_HEADS)) + " ........", _type_height(sheet, 1.4))
        put(canvas, letters, *sheet.pixels((left, y - 2.2)))
    box: Points = np.array(
        [(left - 2, 8), (left + 87, 8), (left + 87, 76), (left - 2, 76), (left - 2, 8)]
    )
    sheet.lines(canvas, [np.clip(box, 2, LENGTH - 2)], 0.25)
    sheet.ink(canvas, stock.ink, stock.strength)


def _title(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    canvas = sheet.canvas()
    words = " ".join(str(rng.choice(_HEADS)) for _ in range(3)) + f" {rng.integers(10, 999)}"
    letters = typeset(words, _type_height(sheet, float(rng.uniform(1.3, 2.4))))
    where = (float(rng.uniform(12, 90)), HEIGHT - 3.8 if rng.random() < 0.5 else 1.2)
    put(canvas, letters, *sheet.pixels(where))
    sheet.ink(canvas, stock.ink, stock.strength)


def _frame(sheet: Sheet, stock: Stock, rng: Rng) -> None:
    canvas = sheet.canvas()
    inset = float(rng.uniform(2.5, 4.0))
    box = np.array(
        [
            (inset, inset),
            (LENGTH - inset, inset),
            (LENGTH - inset, HEIGHT - inset),
            (inset, HEIGHT - inset),
            (inset, inset),
        ]
    )
    sheet.lines(canvas, [box], float(rng.uniform(0.3, 0.9)))
    for row in row_centres()[::3]:
        sheet.lines(canvas, [np.array([(inset, row + 3.17), (LENGTH - inset, row + 3.17)])], 0.12)
    sheet.ink(canvas, stock.ink, stock.strength)

"""Quantities as they are spread in such books, and the ways in which they were punched."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .model import BLANK, Cells, Form, Item

Whole = NDArray[np.int64]
Random = np.random.Generator
SIGNS = ("leading", "trailing", "overpunch-right", "overpunch-left")
PLUS = np.frombuffer(b"{ABCDEFGHI", np.uint8)
MINUS = np.frombuffer(b"}JKLMNOPQR", np.uint8)
STYLES = ("uniform", "skewed", "tail", "zeros", "rising", "normal", "counts", "seasons", "rounded")


def rows(texts: list[str], width: int, *, right: bool = False) -> Cells:
    """Texts as characters, cut or filled with blanks to a width."""
    justified = [
        text[:width].rjust(width) if right else text[:width].ljust(width) for text in texts
    ]
    return np.frombuffer("".join(justified).encode("ascii"), np.uint8).reshape(-1, width).copy()


def chance(rng: Random, share: float) -> bool:
    """True in a share of the cases."""
    return bool(rng.random() < share)


def one_of(rng: Random, *values: str) -> str:
    """One of several words."""
    return values[int(rng.integers(len(values)))]


def amounts(rng: Random, cards: int, top: int, style: str = "") -> Whole:
    """Whole numbers from 0 to `top`, spread in one of `STYLES`."""
    style = style or STYLES[int(rng.integers(len(STYLES)))]
    places = np.arange(cards)
    match style:
        case "uniform":
            values = rng.integers(0, top + 1, cards).astype(float)
        case "skewed":
            values = rng.lognormal(
                np.log(top) * rng.uniform(0.3, 0.7), rng.uniform(0.5, 1.2), cards
            )
        case "tail":
            values = rng.pareto(rng.uniform(0.8, 2.0), cards) * top**0.4
        case "zeros":
            some = rng.random(cards) < rng.uniform(0.03, 0.3)
            values = some * rng.gamma(1.5, top / 10, cards)
        case "rising":
            values = top * (0.2 + 0.6 * places / max(cards, 2)) + rng.normal(0, top / 100, cards)
        case "normal":
            values = rng.normal(top * rng.uniform(0.3, 0.7), top * rng.uniform(0.03, 0.15), cards)
        case "counts":
            values = rng.poisson(rng.uniform(0.5, 8), cards).astype(float)
        case "seasons":
            wave = np.sin(places / rng.uniform(3, 40))
            values = top * (0.5 + 0.3 * wave) + rng.normal(0, top / 25, cards)
        case _:
            values = rng.integers(0, max(top // 50, 2), cards) * 50.0
    return np.clip(np.rint(values), 0, top).astype(np.int64)


def balances(rng: Random, cards: int, top: int) -> Whole:
    """Whole numbers on both sides of nothing, from -top to top."""
    minus = rng.random(cards) < rng.uniform(0.05, 0.6)
    return np.where(minus, -1, 1) * amounts(rng, cards, top)


def holes_in(rng: Random, cards: int, share: float | None = None) -> NDArray[np.bool_]:
    """On which cards nothing was punched; a share of them, often none."""
    if share is None:
        share = float(rng.choice([0, 0, 0, 0.02, 0.15, 0.5, 0.85]))
    return np.asarray(rng.random(cards) < share)


def _digits(values: Whole, width: int) -> Cells:
    powers = 10 ** np.arange(width - 1, -1, -1, dtype=np.int64)
    return (np.abs(values)[:, None] // powers % 10 + 48).astype(np.uint8)


def _unfilled(digits: Cells) -> Cells:
    """Zeros before the first digit taken out, but for the last column."""
    before = np.cumsum(digits != 48, axis=1) == 0
    before[:, -1] = False
    return np.where(before, BLANK, digits).astype(np.uint8)


def _to_the_left(cells: Cells) -> Cells:
    order = np.argsort(cells == BLANK, axis=1, kind="stable")
    return np.take_along_axis(cells, order, axis=1)


def number(
    rng: Random,
    name: str,
    values: Whole,
    width: int,
    *,
    sign: str = "none",
    fill: str = "",
    decimals: int = 0,
    form: str = "",
    blank: NDArray[np.bool_] | None = None,
    left: bool | None = None,
) -> Item:
    """A whole number, or one whose point is not punched.

    Args:
        rng: Chooses what is left open: the fill, and how plus is written.
        name: Name of the field.
        values: Values; what does not fit is cut to the highest that does.
        width: Columns, those of a sign among them.
        sign: See `Form`; `flag-right` marks some cards with a zone that is no sign.
        fill: Blank or zero; left out, one of them.
        decimals: Places behind a point that is not punched.
        form: Year, month, day or hour, where it is one.
        blank: Cards on which nothing is punched.
        left: Stands at the left of its columns, without zeros before it; left out, it seldom does.
    """
    if left is None:
        left = not (fill or form or width < 3) and sign in {"none", "leading"} and chance(rng, 0.05)
    fill = " " if left else fill or one_of(rng, " ", "0")
    aside = sign in {"leading", "trailing"}
    places = width - aside
    values = np.clip(values, -(10**places) + 1, 10**places - 1)
    minus = values < 0 if sign != "none" else np.zeros(len(values), np.bool_)
    digits = _digits(values, places)
    filled = digits if fill == "0" else _unfilled(digits)
    if aside:
        cells = _with_sign(rng, filled, minus, sign, fill)
    elif sign == "none":
        cells = filled
    else:
        if sign == "overpunch-left":
            filled, fill = digits, "0"
        cells = _with_zone(rng, filled, minus, sign)
    if left:
        cells = _to_the_left(cells)
    if blank is not None:
        cells = np.where(blank[:, None], BLANK, cells).astype(np.uint8)
    kind = "decimal" if decimals else "whole"
    justify = "left" if left else "right"
    return Item(name, Form(kind, form, sign, fill, justify, decimals), cells)


def _with_sign(rng: Random, filled: Cells, minus: NDArray[np.bool_], sign: str, fill: str) -> Cells:
    plus = ord(one_of(rng, " ", " ", "+"))
    column = np.where(minus, ord("-"), plus).astype(np.uint8)[:, None]
    if sign == "trailing":
        return np.hstack([filled, column])
    if fill == "0":
        if plus == BLANK and chance(rng, 0.5):
            column = np.where(minus, ord("-"), ord("0")).astype(np.uint8)[:, None]
        return np.hstack([column, filled])
    cells = np.hstack([np.full_like(column, BLANK), filled])
    first = (cells != BLANK).argmax(axis=1) - 1
    cells[np.arange(len(cells)), first] = column[:, 0]
    return cells


def _with_zone(rng: Random, filled: Cells, minus: NDArray[np.bool_], sign: str) -> Cells:
    cells = filled.copy()
    at = 0 if sign == "overpunch-left" else -1
    digit = cells[:, at] - 48
    if sign == "flag-right":
        drawn = rng.random(len(cells))
        marked = drawn < rng.uniform(0.02, 0.2)
        other = drawn > (0.97 if chance(rng, 0.5) else 1)
        cells[:, at] = np.where(marked, MINUS[digit], np.where(other, PLUS[digit], cells[:, at]))
        return cells
    signed = chance(rng, 0.3)
    cells[:, at] = np.where(minus, MINUS[digit], PLUS[digit] if signed else cells[:, at])
    return cells


def pointed(
    rng: Random,
    name: str,
    values: NDArray[np.float64],
    width: int,
    decimals: int,
    *,
    sign: str = "none",
    blank: NDArray[np.bool_] | None = None,
) -> Item:
    """A number whose point is punched, with a sign before or behind it."""
    aside = sign != "none"
    places = width - aside - 1 - decimals
    top = 10**places - 10**-decimals
    values = np.clip(values if aside else np.abs(values), -top, top)
    bare = places > 0 and chance(rng, 0.15)
    fill = "0" if not bare and chance(rng, 0.2) else " "
    texts = [f"{abs(value):.{decimals}f}" for value in values.tolist()]
    if bare or not places:
        texts = [text.lstrip("0") for text in texts]
    if fill == "0":
        texts = [text.zfill(places + 1 + decimals) for text in texts]
    minus = [
        float(value) < 0 and float(text) != 0 for value, text in zip(values, texts, strict=True)
    ]
    marks = one_of(rng, " ", "+") if sign == "trailing" or fill == "0" else ""
    signs = ["-" if below else marks for below in minus] if aside else [""] * len(texts)
    if sign == "trailing":
        texts = [text + mark for text, mark in zip(texts, signs, strict=True)]
    else:
        texts = [mark + text for text, mark in zip(texts, signs, strict=True)]
    cells = rows(texts, width, right=True)
    if blank is not None:
        cells[blank] = BLANK
    return Item(name, Form("point", "", sign, fill, decimals=decimals), cells)


EXPONENTS = ("E", "E2", "D", "bare", "bare2", "implied")


def exponent(
    rng: Random,
    name: str,
    values: NDArray[np.float64],
    width: int,
    *,
    form: str,
    signed: bool,
    blank: NDArray[np.bool_] | None = None,
) -> Item:
    """A number with an exponent, in as many places as its columns hold.

    Forms: E `8.33E-4`, E2 `8.330E-04`, D `8.33D-04`, bare `8.330000-4`, bare2 `8.33000-04`,
    implied `83300-04`: mantissa without its point.
    """
    short = form in {"E", "bare"}
    letter = {"E": "E", "E2": "E", "D": "D"}.get(form, "")
    places = width - 1 - len(letter) - (2 if short else 3) - (form != "implied") - 1
    texts = []
    if short:
        values = np.sign(values) * np.clip(np.abs(values), 1.001e-9, 9e9)
    for value in values.tolist():
        mantissa, power = f"{abs(value):.{places}E}".split("E")
        if form == "implied":
            mantissa = mantissa.replace(".", "")
        behind = f"{int(power):+d}" if short else f"{int(power):+03d}"
        texts.append(("-" if signed and value < 0 else "") + mantissa + letter + behind)
    left = chance(rng, 0.2)
    cells = rows(texts, width, right=not left)
    if blank is not None:
        cells[blank] = BLANK
    sign = "leading" if signed else "none"
    return Item(name, Form("exponent", form, sign, justify="left" if left else "right"), cells)

"""Spans of columns that may be a field, each with the figures by which it is weighed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.columnfigures import NATURES, ColumnFigures, Floats
from deckwright.examine.fields.repeats import copies_of, repeats
from deckwright.examine.fields.signs import SHAPES, SIGNS, machines

WIDEST = 40
"""Columns of a field at most, but for one that is not used or is always the same."""

_BUCKETS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 30, WIDEST)
_GROUPS = ("number", "letters", "other", "with a point")
_UNUSED = NATURES.index("unused")
_NUMBERS = [NATURES.index(one) for one in ("sign", "digits", "zoned")]
_TEXTS = [NATURES.index(one) for one in ("letters", "mixed", "special")]
_HOLDS = 0.995
_NEARLY = 0.95
_KINDS = len(SIGNS)
_WIDEST_NUMBER = 24
_NUMBERED = 73  # column from which cards of programs and many others carry their own number
_CARD = 80
_NINE = ord("9")
_POINT = SIGNS.index("point")
_HALF = 0.5
_MOST_BEHIND = 7


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Spans that may be fields, by their first column, the narrow ones first.

    first, last: int (k), columns from 0. figures: float32 (k, f).
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    figures: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class _Shaped:
    """How well spans that begin in one column have each shape.

    share: float (w, shapes), of the filled cards. starts, ends, full: float (w), of the filled
    cards, those punched in the first column, in the last, in all. any, nine: float (w), of all
    cards, those punched in some column, and those with nines in all.
    """

    share: Floats
    starts: Floats
    ends: Floats
    full: Floats
    any: Floats
    nine: Floats


def figure_names() -> list[str]:
    """Return the names of the figures of a span, in their order."""
    names = ["border"]
    names += [f"border {one} | {other}" for one in ("edge", *NATURES) for other in NATURES]
    names += ["border tied", "border bare", "border blank behind", "border blank before",
              "border bits down", "border bits up", "border zeros down", "border zeros up",
              "border units", "border both shares", "border begins", "border always begins",
              "border ends", "border after a point", "border at 73", "border at 1", "border at 81",
              "border nines"]  # fmt: skip
    names += [f"{group} of {bucket}" for group in _GROUPS for bucket in _BUCKETS]
    names += [f"{shape.name} {word}" for shape in SHAPES for word in ("holds", "nearly", "broken")]
    names += [f"{number} behind the point" for number in range(_MOST_BEHIND + 1)]
    names += ["run told", "zeros first", "blank first", "bits last", "bits first", "zero last",
              "starts", "ends", "all or none", "constant first", "constant last",
              "constant inside", "sign alone", "unused inside", "repeats", "repeats apart",
              "odd repeats", "date", "crosses date", "counter", "crosses counter",
              "joint few", "joint told", "letters then digits",
              "points inside", "changes inside", "nines", "crosses 73", "to 80",
              "number led by blanks", "number led by zeros", "number never led"]  # fmt: skip
    return names


def spans_of(
    figures: ColumnFigures,
    dates: Mapping[tuple[int, int], float],
    known: Sequence[tuple[int, int]] = (),
) -> Spans:
    """Return the spans of columns that may be fields.

    Args:
        figures: of the columns.
        dates: spans (from 0) that may be dates, with how much speaks for that, 0 to 1.
        known: spans (from 0) of numbers that run on from card to card, or have a check digit.
    """
    moves, good = machines()
    borders = _borders(figures)
    runs = repeats(figures)
    told = (dates, dict.fromkeys(known, 1.0))
    rows: list[NDArray[np.float32]] = []
    firsts: list[int] = []
    lasts: list[int] = []
    for first in range(figures.width):
        widest = _reach(figures, first)
        shaped = _shaped(figures, first, widest, moves, good)
        inside = _inside(figures, first, widest, shaped, runs, told)
        border = np.broadcast_to(borders[first], (widest, borders.shape[1]))
        rows.append(np.concatenate([border, inside], axis=1).astype(np.float32))
        firsts += [first] * widest
        lasts += range(first, first + widest)
    places = np.array(firsts, np.intp), np.array(lasts, np.intp)
    return Spans(*places, np.concatenate(rows))


def _reach(figures: ColumnFigures, first: int) -> int:
    """Return how many columns a field that begins here may have."""
    nature = figures.nature
    end = min(figures.width, first + WIDEST)
    if nature[first] == _UNUSED:
        # what is not used is one span, however long
        stop = first
        while stop < figures.width and nature[stop] == _UNUSED:
            stop += 1
        end = max(end, stop)
    return end - first


def _borders(figures: ColumnFigures) -> Floats:
    """Return float (L, b): figures of the border before each column."""
    width = figures.width
    kinds = len(NATURES)
    found = np.zeros((width, 1 + (kinds + 1) * kinds + 18))
    found[:, 0] = 1
    before = np.concatenate([[0], figures.nature[:-1] + 1])
    found[np.arange(width), 1 + before * kinds + figures.nature] = 1
    at = 1 + (kinds + 1) * kinds
    filled = figures.signs != 0
    left, right = filled[:-1], filled[1:]
    rest = found[1:]
    rest[:, at] = figures.tied[1:]
    rest[:, at + 1] = figures.bare[1:]
    rest[:, at + 2] = np.minimum(1, 10 * (left & ~right).mean(axis=1))
    rest[:, at + 3] = np.minimum(1, 10 * (~left & right).mean(axis=1))
    digits = np.isin(figures.nature, _NUMBERS)
    both = digits[:-1] & digits[1:]
    steps = np.diff(figures.bits) / 3.32 * both
    rest[:, at + 4] = np.maximum(0, -steps)
    rest[:, at + 5] = np.maximum(0, steps)
    fill = np.diff(figures.zero + figures.blank) * both
    rest[:, at + 6] = np.maximum(0, -fill)
    rest[:, at + 7] = np.maximum(0, fill)
    units = (figures.bits > 3.1) & (figures.zero + figures.blank < 0.2)  # noqa: PLR2004
    rest[:, at + 8] = both * units[:-1] * (figures.bits[1:] < 2.9)  # noqa: PLR2004
    rest[:, at + 9] = np.abs(np.diff(figures.shares, axis=0)).sum(axis=1) / 2
    # where a text begins, the column before is blank or not, all the same
    blank, whole = (~left).mean(axis=1), right.mean(axis=1)
    began = (~left & right).mean(axis=1)
    rest[:, at + 10] = (blank > 0.02) * began / np.maximum(0.02, blank)  # noqa: PLR2004
    rest[:, at + 11] = (blank > 0.02) * (began / np.maximum(0.02, blank) > 0.995)  # noqa: PLR2004
    ended = (left & ~right).mean(axis=1)
    rest[:, at + 12] = (whole < 0.98) * ended / np.maximum(0.02, 1 - whole)  # noqa: PLR2004
    rest[1:, at + 13] = figures.shares[:-2, _POINT] > _HALF
    rest[:, at + 14] = np.arange(1, width) == _NUMBERED - 1
    found[0, at + 15] = 1
    rest[:, at + 16] = np.arange(1, width) == _CARD
    nine = figures.text == ord("9")
    both_nine = (nine[:-1] & nine[1:]).mean(axis=1)
    by_chance = nine[:-1].mean(axis=1) * nine[1:].mean(axis=1)
    rest[:, at + 17] = np.clip((both_nine - by_chance) * 10, 0, 1)
    return found


def _shaped(
    figures: ColumnFigures,
    first: int,
    widest: int,
    moves: NDArray[np.uint8],
    good: NDArray[np.bool_],
) -> _Shaped:
    shapes, states, _ = moves.shape
    count = figures.count
    filled = figures.signs[first : first + widest] != 0
    punched = np.cumsum(filled, axis=0)
    some = punched > 0
    total = np.maximum(1, some.sum(axis=1))
    # one table of all machines: what follows a state under a sign
    flat = moves.reshape(-1)
    base = (np.arange(shapes) * states * _KINDS).astype(np.uint16)[:, None]
    ends = good.reshape(-1)
    ground = (np.arange(shapes) * states).astype(np.uint16)[:, None]
    state = np.zeros((shapes, count), np.uint8)
    share = np.zeros((widest, shapes))
    nines, nine = np.ones(count, np.bool_), np.zeros(widest)
    dead = states - 1
    for place in range(min(widest, _WIDEST_NUMBER)):
        if (state == dead).all() and not nines.any():
            break
        signs = figures.signs[first + place]
        state = flat[base + state * np.uint16(_KINDS) + signs[None]]
        nines &= figures.text[first + place] == _NINE
        # nines all through stand for no value
        fits = (ends[ground + state] | (nines & (place > 0))[None]) & some[place][None]
        nine[place] = nines.mean()
        share[place] = fits.sum(axis=1) / total[place]
    wide = np.arange(1, widest + 1)[:, None]
    return _Shaped(
        share=share,
        starts=(some & filled[:1]).sum(axis=1) / total,
        ends=(some & filled).sum(axis=1) / total,
        full=(punched == wide).sum(axis=1) / total,
        any=some.mean(axis=1),
        nine=nine,
    )


def _inside(
    figures: ColumnFigures,
    first: int,
    widest: int,
    shaped: _Shaped,
    runs: NDArray[np.intp],
    told: tuple[Mapping[tuple[int, int], float], Mapping[tuple[int, int], float]],
) -> Floats:
    """Return float (w, i): figures of the spans that begin in a column, by their width."""
    places = np.arange(first, first + widest)
    nature = figures.nature[places]
    width = np.arange(1, widest + 1)
    number = np.isin(nature, [*_NUMBERS, NATURES.index("constant"), _UNUSED]).cumprod() > 0
    letters = np.isin(nature, [NATURES.index("letters"), _UNUSED]).cumprod() > 0
    points = np.cumsum(figures.shares[places, _POINT] > _HALF)
    behind = np.clip(places - _point_before(figures)[places], 0, _MOST_BEHIND)
    group = np.where(points == 1, 3, np.where(number, 0, np.where(letters, 1, 2)))
    bucket = np.minimum(np.searchsorted(_BUCKETS, width), len(_BUCKETS) - 1)
    found = np.zeros((widest, len(_GROUPS) * len(_BUCKETS)))
    found[np.arange(widest), group * len(_BUCKETS) + bucket] = 1
    holds = shaped.share >= _HOLDS
    nearly = (shaped.share >= _NEARLY) & ~holds
    decimals = np.zeros((widest, _MOST_BEHIND + 1))
    decimals[np.arange(widest), behind] = points == 1
    shapes = np.stack([holds, nearly, ~holds & ~nearly], axis=2).reshape(widest, -1)
    constant = figures.nature == NATURES.index("constant")
    unused = figures.nature == _UNUSED
    digit = np.isin(figures.nature, _NUMBERS)
    sign = nature[0] == NATURES.index("sign")
    several = width > 1
    joint = _joint(figures, first, widest)
    tight, apart, odd = copies_of(runs, first, widest)
    led = figures.blank[first], figures.zero[first]
    alone = np.cumprod((figures.text[places] == _NINE).mean(axis=1))
    changes = np.concatenate([[0], np.cumsum(nature[1:] != nature[:-1])])
    letters_first = np.isin(nature, _TEXTS) & (nature != NATURES.index("special"))
    rest = np.stack(
        [
            _run_told(figures, first, widest) * number,
            np.full(widest, figures.zero[first]) * number * several,
            np.full(widest, figures.blank[first]) * number * several,
            figures.bits[places] / 3.32 * number * several,
            np.full(widest, figures.bits[first] / 3.32) * number * several,
            figures.zero[places] * number * several,
            shaped.starts * ~number * several,
            shaped.ends * ~number * several,
            (shaped.full * (shaped.any < 0.99)) * several,  # noqa: PLR2004
            np.full(widest, constant[first])
            * several
            * ~np.logical_and.accumulate(constant[places]),
            constant[places] * several * ~np.logical_and.accumulate(constant[places]),
            np.minimum(3, np.cumsum(constant[places]))
            / 3
            * ~np.logical_and.accumulate(constant[places]),
            np.full(widest, sign) * (width == 1),
            np.minimum(3, np.cumsum(unused[places]))
            / 3
            * ~np.logical_and.accumulate(unused[places]),
            tight,
            apart,
            odd,
            *(part for spans in told for part in _known(spans, first, widest)),
            joint[0],
            joint[1],
            np.full(widest, letters_first[0]) * digit[places] * several,
            points > 1,
            np.minimum(4, changes) / 4,
            np.clip((shaped.nine - alone) * 10, 0, 1) * several,
            (first < _NUMBERED - 1) & (places >= _NUMBERED - 1),
            (places == _CARD - 1) & (width <= 8),  # noqa: PLR2004
            number * several * (led[0] > 0.01),  # noqa: PLR2004
            number * several * (led[0] <= 0.01) * (led[1] > 0.02),  # noqa: PLR2004
            number * several * (led[0] <= 0.01) * (led[1] <= 0.02),  # noqa: PLR2004
        ],
        axis=1,
    )
    return np.concatenate([found, shapes, decimals, rest], axis=1)


def _run_told(figures: ColumnFigures, first: int, widest: int) -> Floats:
    """Return float (w): bits a card that a run of zeros, or of blanks, at the left explains."""
    most = np.zeros(widest)
    cells = figures.signs[first : first + widest]
    for fill in (1, 0):
        here = cells <= fill if fill else cells == 0
        lead = np.logical_and.accumulate(here, axis=0)
        alone = _binary(here.mean(axis=1))
        reached = lead.mean(axis=1)
        # cells outside the run are filled or not by themselves
        out = 1 - np.concatenate([[1.0], reached[:-1]])
        inside = np.concatenate([[1.0], reached[:-1]])
        loose = np.divide(here.mean(axis=1) - reached, np.maximum(1e-12, out))
        bits = inside * _binary(np.divide(reached, np.maximum(1e-12, inside)))
        bits += out * _binary(np.clip(loose, 0, 1))
        most = np.maximum(most, np.cumsum(alone - bits))
    return np.clip(most, 0, 4)


def _binary(share: Floats) -> Floats:
    share = np.clip(share, 1e-12, 1 - 1e-12)
    bits: Floats = -share * np.log2(share) - (1 - share) * np.log2(1 - share)
    return bits


_JOINT = 5  # columns of a code at most
_FEW = 40


def _joint(figures: ColumnFigures, first: int, widest: int) -> tuple[Floats, Floats]:
    """Return whether spans hold few values, and how much that tells, float (w) each."""
    few, told = np.zeros(widest), np.zeros(widest)
    key = figures.text[first].astype(np.int64)
    count = figures.count
    alone = figures.whole[first]
    for place in range(1, min(widest, _JOINT)):
        _, key = np.unique(key * 256 + figures.text[first + place], return_inverse=True)
        counts = np.bincount(key)
        alone += figures.whole[first + place]
        if len(counts) > max(_FEW, count // 20):
            break
        shares = counts / count
        bits = float(-(shares * np.log2(shares)).sum()) + (len(counts) - 1) / (2 * count)
        few[place] = len(counts) <= _FEW and len(counts) * 4 <= count
        told[place] = np.clip((alone - bits) / max(1e-9, alone), 0, 1) * few[place]
    return few, told


def _known(
    known: Mapping[tuple[int, int], float], first: int, widest: int
) -> tuple[Floats, Floats]:
    """Return how sure it is that spans are known ones, and how sure those that they cut."""
    same, cut = np.zeros(widest), np.zeros(widest)
    last = np.arange(first, first + widest)
    for (start, end), sure in known.items():
        if start == first and end < first + widest:
            same[end - first] = sure
        crosses = (first < start) & (last >= start) & (last < end)
        crosses |= (first > start) & (first <= end)
        crosses |= (first == start) & (last < end)
        cut = np.maximum(cut, crosses * sure)
    return same, cut


def _point_before(figures: ColumnFigures) -> NDArray[np.intp]:
    """Return int (L): the last column up to each that holds points; long before where none does."""
    places = np.arange(figures.width)
    points = figures.shares[:, _POINT] > _HALF
    last: NDArray[np.intp] = np.maximum.accumulate(np.where(points, places, -_MOST_BEHIND))
    return last

"""Numbers and texts as columns of a card."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.overpunch import OVER
from deckwright.layout.words import BLANK, Bytes, cells_of

Mask = NDArray[np.bool_]

_ZERO = 48
_GROUP = 4
_TEN_THOUSAND = 10_000
_MOST_DIGITS = 19  # of 64 bits


@lru_cache(maxsize=1)
def _groups() -> NDArray[np.uint32]:
    """Return uint32 (10000): four digits as four characters."""
    text = "".join(f"{number:04}" for number in range(_TEN_THOUSAND)).encode()
    return np.frombuffer(text, "<u4")


def plain_digits(numbers: NDArray[np.uint64], width: int) -> tuple[Bytes, Mask]:
    """Return numbers as digits (n, w), zeros on the left, and where one is longer than that."""
    groups = -(-width // _GROUP)
    out = np.empty((len(numbers), groups), "<u4")
    rest = numbers
    for place in reversed(range(groups)):
        higher = rest // np.uint64(_TEN_THOUSAND)
        low = (rest - higher * np.uint64(_TEN_THOUSAND)).view(np.int64)
        out[:, place] = _groups().take(low)
        rest = higher
    cells = out.view(np.uint8).reshape(len(numbers), groups * _GROUP)
    too_long = numbers >= np.uint64(10 ** min(width, _MOST_DIGITS))
    if width < groups * _GROUP:
        cells = cells_of(cells, groups * _GROUP - width + 1, width)
    return cells, too_long


def number_cells(scaled: NDArray[np.int64], spec: FieldSpec) -> tuple[Bytes, Mask]:
    """Return numbers as they stand in a field (n, w), and bool (n): true where one does not fit.

    Args:
        scaled: the numbers, counted in units of 10**-spec.scale.
        spec: a field of kind whole or decimal.
    """
    negative = scaled < 0
    size = np.abs(scaled).view(np.uint64)
    cells, misfit, units = _unsigned(size, spec)
    blanks = spec.filled == " "
    start = _blank_zeros(cells, units) if blanks else np.zeros(len(cells), np.intp)
    if spec.sign == "none":
        misfit |= negative
    elif spec.sign == "leading":
        misfit |= _put_sign(cells, negative, start, spec)
    else:
        misfit |= _put_zone(cells, negative, start, spec)
    if blanks and spec.justified == "left":
        cells = _shifted_left(cells)
    return cells, misfit


def _unsigned(size: NDArray[np.uint64], spec: FieldSpec) -> tuple[Bytes, Mask, int]:
    """Return digits (n, w) with their point, misfits, and the place of the units from 0."""
    width = spec.width
    if spec.point == "implied":
        cells, misfit = plain_digits(size, width)
        return cells, misfit, width - 1
    digits, misfit = plain_digits(size, width - 1)
    whole = width - 1 - spec.scale
    cells = np.empty((len(size), width), np.uint8)
    cells[:, :whole] = digits[:, :whole]
    cells[:, whole] = ord(".")
    cells[:, whole + 1 :] = digits[:, whole:]
    return cells, misfit, max(whole - 1, 0)


def _blank_zeros(cells: Bytes, units: int) -> NDArray[np.intp]:
    """Blank the zeros before the units; return the place (n) of the first character left."""
    lead = np.ones(len(cells), np.bool_)
    start = np.zeros(len(cells), np.intp)
    for place in range(units):
        lead &= cells[:, place] == _ZERO
        cells[lead, place] = BLANK
        start += lead
    return start


def _put_sign(cells: Bytes, negative: Mask, start: NDArray[np.intp], spec: FieldSpec) -> Mask:
    """Write leading signs; return where there is no column for one."""
    signed = negative if spec.plus == "bare" else np.ones(len(cells), np.bool_)
    marks = np.where(negative, ord("-"), ord("+")).astype(np.uint8)
    rows = np.flatnonzero(signed)
    place = np.maximum(start[rows] - 1, 0)
    there = cells[rows, place]
    room = there == BLANK
    if spec.point == "implied" or spec.width > 2:  # noqa: PLR2004 # "0." keeps its only digit
        room |= there == _ZERO  # "0.5" may give up its zero: "-.5"
    cells[rows[room], place[room]] = marks[rows[room]]
    misfit = np.zeros(len(cells), np.bool_)
    misfit[rows[~room]] = True
    return misfit


def _put_zone(cells: Bytes, negative: Mask, start: NDArray[np.intp], spec: FieldSpec) -> Mask:
    """Write signs over the last or first digit; return where a point stands there instead."""
    rows = np.flatnonzero(negative) if spec.plus == "bare" else np.arange(len(cells))
    last = np.full(len(rows), cells.shape[1] - 1)
    places = start[rows] if spec.sign == "overpunch-left" else last
    digit = cells[rows, places] - np.uint8(_ZERO)
    free = digit < 10  # noqa: PLR2004
    zone = np.where(negative[rows], 2, 1)
    cells[rows[free], places[free]] = OVER[zone[free], digit[free]]
    misfit = np.zeros(len(cells), np.bool_)
    misfit[rows[~free]] = True
    return misfit


def _shifted_left(cells: Bytes) -> Bytes:
    """Return cells (n, w) moved left over their leading blanks."""
    filled = cells != BLANK
    start = np.where(filled.any(axis=1), filled.argmax(axis=1), 0)
    if not start.any():
        return cells
    width = cells.shape[1]
    padded = np.concatenate([cells, np.full_like(cells, BLANK)], axis=1)
    return np.take_along_axis(padded, start[:, None] + np.arange(width), axis=1)


def digit_cells(numbers: NDArray[np.int64], spec: FieldSpec) -> tuple[Bytes, Mask]:
    """Return whole numbers as the texts of a field of digits or text."""
    digits, misfit = plain_digits(np.abs(numbers).view(np.uint64), spec.width)
    misfit |= numbers < 0
    if spec.filled == " ":
        _blank_zeros(digits, spec.width - 1)
        if spec.justified == "left":
            digits = _shifted_left(digits)
    return digits, misfit


def placed_text(cells: Bytes, spec: FieldSpec) -> tuple[Bytes, Mask]:
    """Return texts (n, v) as they stand in a field (n, w), and where one is longer than that.

    Text keeps its leading blanks when it is justified to the left; trailing blanks are no part of
    a text.
    """
    width = spec.width
    if cells.shape[1] == width and (spec.justified == "left" or not (cells[:, -1] == BLANK).any()):
        out = cells.copy()
        misfit = np.zeros(len(cells), np.bool_)
        if spec.justified == "right" and spec.filled == "0":
            _fill_zeros(out)
        return out, misfit
    if spec.justified == "left":
        out = np.full((len(cells), width), BLANK, np.uint8)
        kept = min(width, cells.shape[1])
        out[:, :kept] = cells[:, :kept]
        return out, (cells[:, kept:] != BLANK).any(axis=1)
    return _placed_right(cells, spec)


def _placed_right(cells: Bytes, spec: FieldSpec) -> tuple[Bytes, Mask]:
    width, have = spec.width, cells.shape[1]
    filled = cells != BLANK
    end = np.where(filled.any(axis=1), have - filled[:, ::-1].argmax(axis=1), 0)
    source = np.arange(width) + (end - width)[:, None]
    out = np.take_along_axis(cells, np.clip(source, 0, have - 1), axis=1)
    out[(source < 0)] = BLANK
    before = np.arange(have) < (end - width)[:, None]
    misfit: Mask = (filled & before).any(axis=1)
    if spec.filled == "0":
        _fill_zeros(out)
    return out, misfit


def _fill_zeros(cells: Bytes) -> None:
    """Write zeros over leading blanks; a wholly blank text stays blank."""
    lead = (cells != BLANK).any(axis=1)
    for place in range(cells.shape[1]):
        lead &= cells[:, place] == BLANK
        if not lead.any():
            return
        cells[lead, place] = _ZERO

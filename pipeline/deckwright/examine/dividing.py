"""Columns that divide a deck into card types: few values, and other columns hang on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.look import BLANK
from deckwright.examine.model import BLANK as BLANK_CLASS
from deckwright.examine.model import LETTER
from deckwright.examine.sampling import Sample
from deckwright.examine.strengths import Strength, strength_of

MOST_TYPES = 12
"""Values of a column that divides a deck, at most."""

_CLASSES = 6
_IN_TEXT = 0.5
_LEAST_SHARE = 0.004  # of the cards, for a value to make a type of its own
_COVERED = 0.985  # of the cards, that such values must make up
_APART = 0.5  # difference of class shares from which a column is said to differ
_FEWEST = 2  # columns that must differ
_CARDS = 20_000
_FEWEST_CARDS = 12
_MOST_BLANK = 0.02
_LEAST_TOLD = 1.0
_A_TYPE = 0.15  # what one type more must tell


@dataclass(frozen=True, slots=True, eq=False)
class Division:
    """How a column (from 0; -1: none does) divides the cards.

    groups: the internal bytes of each type. apart: columns (from 0) that differ between types.
    told: columns that the types explain, less what their number costs.
    """

    column: int
    groups: tuple[tuple[int, ...], ...]
    apart: tuple[int, ...]
    told: float = 0.0
    strength: Strength = "possible"


def divide(sample: Sample, kinds: NDArray[np.uint8]) -> Division:
    """Return the column that divides the cards best.

    Args:
        sample: data cards.
        kinds: uint8 (256), the class of each internal byte.
    """
    text = sample.text
    if len(text) > _CARDS:
        text = text[np.linspace(0, len(text) - 1, _CARDS).astype(int)]
    classes = kinds[text]
    best = Division(-1, (), ())
    for column in range(text.shape[1]):
        values = _values(text[:, column])
        if values is None:
            continue
        found = _division(text[:, column], classes, column, values)
        if len(found.apart) >= _FEWEST and found.told > best.told:
            best = found
    return best if best.told >= _LEAST_TOLD else Division(-1, (), ())


def rows_of_types(text: NDArray[np.uint8], division: Division) -> list[NDArray[np.bool_]]:
    """Return bool (n) for each type of a division, and for all other cards at the end."""
    column = text[:, division.column]
    rows = [np.isin(column, group) for group in division.groups]
    rows.append(~np.logical_or.reduce(rows))
    return rows


def _values(column: NDArray[np.uint8]) -> NDArray[np.intp] | None:
    counts = np.bincount(column, minlength=256)
    if counts[BLANK] > _MOST_BLANK * len(column):
        return None  # a text that is short on some cards tells no type
    often = np.flatnonzero(counts >= max(_FEWEST_CARDS, _LEAST_SHARE * len(column)))
    if not 2 <= len(often) <= MOST_TYPES:  # noqa: PLR2004 # types
        return None
    return often if counts[often].sum() >= _COVERED * len(column) else None


def _division(
    column: NDArray[np.uint8],
    classes: NDArray[np.uint8],
    place: int,
    values: NDArray[np.intp],
) -> Division:
    tables = []
    for value in values:
        part = classes[column == value]
        offsets = part + np.arange(part.shape[1], dtype=np.intp) * _CLASSES
        counts = np.bincount(offsets.ravel(), minlength=part.shape[1] * _CLASSES)
        tables.append(counts.reshape(-1, _CLASSES) / len(part))
    shares = np.array(tables)
    groups = _grouped(shares, values.tolist(), place)
    if len(groups) < 2:  # noqa: PLR2004 # types
        return Division(-1, (), ())
    sizes = np.bincount(column, minlength=256)[values] / len(column)
    places = [np.flatnonzero(np.isin(values, group)) for group in groups]
    weights = np.array([sizes[place].sum() for place in places])
    means = np.array([np.average(shares[p], axis=0, weights=sizes[p]) for p in places])
    apart = _distance(means).max(axis=(0, 1))
    same = _same_text(classes, place)
    apart[same] = 0
    differ = np.flatnonzero(apart >= _APART)
    overall = np.average(means, axis=0, weights=weights)
    away = np.abs(means - overall).sum(axis=2) / 2
    away[:, same] = 0
    told = float((away * weights[:, None]).sum()) - _A_TYPE * len(groups)
    strength = strength_of(float(apart.max()), 0.0, len(column), "strong")
    return Division(place, groups, tuple(differ.tolist()), told, strength)


def _same_text(classes: NDArray[np.uint8], place: int) -> NDArray[np.intp]:
    """Return the columns of the text that a column is part of: its first letter tells its length.

    That is the column alone where it does not hold letters.
    """
    letters = (classes == LETTER).sum(axis=0)
    filled = (classes != BLANK_CLASS).sum(axis=0)
    text = (letters > _IN_TEXT * filled) & (filled > 0)
    if not text[place]:
        return np.array([place])
    first = last = place
    while first > 0 and text[first - 1]:
        first -= 1
    while last + 1 < len(text) and text[last + 1]:
        last += 1
    return np.arange(first, last + 1)


def _distance(shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return float (k, k, L): how far types are apart in each column, 0 to 1."""
    apart: NDArray[np.float64] = np.abs(shares[:, None] - shares[None]).sum(axis=3) / 2
    return apart


def _grouped(
    shares: NDArray[np.float64], values: list[int], place: int
) -> tuple[tuple[int, ...], ...]:
    """Put values whose cards look alike in all columns into one group."""
    apart = _distance(shares)
    apart[:, :, place] = 0
    near = apart.max(axis=2) < _APART
    groups: list[list[int]] = []
    for number in range(len(values)):
        home = next((g for g in groups if all(near[number, other] for other in g)), None)
        if home is None:
            groups.append([number])
        else:
            home.append(number)
    return tuple(tuple(values[number] for number in group) for group in groups)

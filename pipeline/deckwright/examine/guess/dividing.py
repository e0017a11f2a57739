"""Codes that divide a deck into card types: few values, and other columns hang on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.count.sampling import Sample
from deckwright.examine.fields.found import FieldSpan
from deckwright.examine.guess.columns import BLANK
from deckwright.examine.model import BLANK as BLANK_CLASS
from deckwright.examine.model import LETTER

MOST_TYPES = 12
"""Values of a code that divides a deck, at most."""

MOST_COLUMNS = 3
"""Columns of a code that divides a deck, at most."""

_CLASSES = 6
_IN_TEXT = 0.5
_LEAST_SHARE = 0.004  # of the cards, for a value to make a type of its own
_COVERED = 0.985  # of the cards, that such values must make up
_APART = 0.5  # difference of class shares from which a column is said to differ
_WHOLE_CARD = 40  # columns that differ, more than any field has
_FEWEST = 2  # columns that must differ, and fields
_CARDS = 20_000
_FEWEST_CARDS = 12
_SOME, _HALF = 0.02, 0.5  # of the cards
_LEAST_TOLD = 1.0
_A_TYPE = 0.15  # what one type more must tell
_MORE = 0.25  # and what one column more
_BLANKS = 0.5  # and what a column must tell that is blank on some cards
_ALWAYS = 0.995
POINT = ord(".")


@dataclass(frozen=True, slots=True, eq=False)
class Division:
    """How columns first to last (from 0; -1: none do) divide the cards.

    groups: what stands there in each type, as internal bytes. apart: columns (from 0) that differ
    between types. told: columns that the types explain, less what their number costs.
    """

    first: int
    last: int
    groups: tuple[tuple[bytes, ...], ...]
    apart: tuple[int, ...]
    told: float = 0.0

    @property
    def values(self) -> list[bytes]:
        """What the columns hold, of all types."""
        return [value for group in self.groups for value in group]


NOTHING_DIVIDES = Division(-1, -1, (), ())


def divide(
    sample: Sample, kinds: NDArray[np.uint8], running: Sequence[tuple[int, int]] = ()
) -> Division:
    """Return the column, or the few columns side by side, that divide the cards best.

    Args:
        sample: data cards.
        kinds: uint8 (256), the class of each internal byte.
        running: columns (from 1) of running numbers, which are no codes.
    """
    text = sample.text
    if not len(text):
        return NOTHING_DIVIDES
    if len(text) > _CARDS:
        text = text[np.linspace(0, len(text) - 1, _CARDS).astype(int)]
    classes = kinds[text]
    taken = {column - 1 for first, last in running for column in range(first, last + 1)}
    points = (text == POINT).mean(axis=0) > _HALF
    beside = np.concatenate([points[1:], [False]]) | np.concatenate([[False], points[:-1]])
    few = [
        column not in taken and not beside[column] and _has_few_values(text[:, column])
        for column in range(text.shape[1])
    ]
    full = [one and _is_full(text[:, column]) for column, one in enumerate(few)]
    few = [one and (full[c] or _stands_alone(text, c)) for c, one in enumerate(few)]
    best = NOTHING_DIVIDES
    for width in range(1, MOST_COLUMNS + 1):
        usable = few if width == 1 else full
        for first in range(text.shape[1] - width + 1):
            if not all(usable[first : first + width]):
                continue
            found = _divided(text, classes, first, first + width - 1)
            # a further column must tell more, since nearly any pair tells what one of it does; and
            # so must one that is blank, as a text that is short on some cards tells no type
            more = _MORE * (width > 1) + _BLANKS * (width == 1 and not full[first])
            if len(found.apart) >= _FEWEST and found.told - more > best.told:
                best = replace(found, told=found.told - more)
    if best.told < _LEAST_TOLD:
        return NOTHING_DIVIDES
    return _whole_code(text, classes, best, full)


def pays(division: Division, fields: Sequence[FieldSpan]) -> bool:
    """Return whether types change more than one field besides their code.

    A flag goes with one value that is blank, a sign with one number: these are no types.

    Args:
        division: of the cards.
        fields: as the columns divide where all cards are of one type.
    """
    if len(division.apart) >= _WHOLE_CARD:
        return True
    changed = [
        span
        for span in fields
        if any(span.first <= column <= span.last for column in division.apart)
        and (span.last < division.first or division.last < span.first)
    ]
    beside = [
        span for span in changed
        if span.last == division.first - 1 or span.first == division.last + 1
    ]  # fmt: skip
    return len(changed) >= _FEWEST and len(changed) > len(beside)


def rows_of_types(text: NDArray[np.uint8], division: Division) -> list[NDArray[np.bool_]]:
    """Return bool (n) for each type of a division, and for all other cards at the end."""
    keys = _keys(text, division.first, division.last)
    rows = [np.isin(keys, np.array(group, keys.dtype)) for group in division.groups]
    rows.append(~np.logical_or.reduce(rows))
    return rows


def _whole_code(
    text: NDArray[np.uint8], classes: NDArray[np.uint8], division: Division, full: list[bool]
) -> Division:
    """Return a division by the whole code: columns beside it that hang on its values too."""
    first, last = division.first, division.last
    for side in (-1, 1):
        while last - first + 1 < MOST_COLUMNS:
            column = first - 1 if side < 0 else last + 1
            inside = 0 <= column < text.shape[1]
            if not inside or not full[column] or not _hangs(text, division, column):
                break
            first, last = min(first, column), max(last, column)
    if (first, last) == (division.first, division.last):
        return division
    whole = _divided(text, classes, first, last)
    return whole if len(whole.groups) == len(division.groups) else division


def _hangs(text: NDArray[np.uint8], division: Division, column: int) -> bool:
    """Return whether a column holds one sign for each value of a division, and not always one."""
    keys = _keys(text, division.first, division.last)
    signs = set()
    for value in division.values:
        counts = np.bincount(text[keys == np.array(value, keys.dtype), column], minlength=256)
        if counts.max() < _ALWAYS * counts.sum():
            return False
        signs.add(int(counts.argmax()))
    return len(signs) > 1


def _has_few_values(column: NDArray[np.uint8]) -> bool:
    """Return whether a column may be part of a code: it is not, where decimal points stand."""
    counts = np.bincount(column, minlength=256)
    return len(_often(counts)) > 0 and int(counts[POINT]) <= _SOME * len(column)


def _is_full(column: NDArray[np.uint8]) -> bool:
    return int((column == BLANK).sum()) <= _SOME * len(column)


def _stands_alone(text: NDArray[np.uint8], column: int) -> bool:
    """Return whether a column that is blank on some cards is not the edge of a longer field.

    Where a field goes on, the column beside it is punched whenever this one is, but not always.
    """
    here = text[:, column] != BLANK
    if here.all() or not here.any():
        return True
    for beside in (column - 1, column + 1):
        if not 0 <= beside < text.shape[1]:
            continue
        there = text[:, beside] != BLANK
        if there[here].mean() >= 1 - _SOME and there[~here].mean() < 1 - _SOME:
            return False
    return True


def _often(counts: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the places of values that are often enough; none where they are too many or few."""
    whole = int(counts.sum())
    often = np.flatnonzero(counts >= max(_FEWEST_CARDS, _LEAST_SHARE * whole))
    enough = len(often) <= MOST_TYPES and counts[often].sum() >= _COVERED * whole
    return often if enough else often[:0]


def _keys(text: NDArray[np.uint8], first: int, last: int) -> NDArray[np.bytes_]:
    """Return what stands in some columns, one value a card; a NUL at its end is cut off."""
    cells = np.ascontiguousarray(text[:, first : last + 1])
    keys: NDArray[np.bytes_] = cells.view(f"S{last - first + 1}").ravel()
    return keys


def _divided(
    text: NDArray[np.uint8], classes: NDArray[np.uint8], first: int, last: int
) -> Division:
    keys, places, counts = np.unique(
        _keys(text, first, last), return_inverse=True, return_counts=True
    )
    often = _often(counts)
    if len(often) < 2:  # noqa: PLR2004 # types
        return NOTHING_DIVIDES
    values = [bytes(keys[place]).ljust(last - first + 1, b"\0") for place in often]
    return _division(places.reshape(-1), classes, (first, last), often, values)


def _division(
    key: NDArray[np.intp],
    classes: NDArray[np.uint8],
    span: tuple[int, int],
    often: NDArray[np.intp],
    values: list[bytes],
) -> Division:
    """Return how cards are divided by a key (n); often: its values (k) that make types."""
    tables = []
    for value in often:
        part = classes[key == value]
        offsets = part + np.arange(part.shape[1], dtype=np.intp) * _CLASSES
        counts = np.bincount(offsets.ravel(), minlength=part.shape[1] * _CLASSES)
        tables.append(counts.reshape(-1, _CLASSES) / len(part))
    shares = np.array(tables)
    groups = _grouped(shares, span)
    if len(groups) < 2:  # noqa: PLR2004 # types
        return NOTHING_DIVIDES
    sizes = np.bincount(key)[often] / len(key)
    weights = np.array([sizes[group].sum() for group in groups])
    means = np.array([np.average(shares[g], axis=0, weights=sizes[g]) for g in groups])
    apart = _distance(means).max(axis=(0, 1))
    same = np.concatenate([_same_text(classes, place) for place in range(span[0], span[1] + 1)])
    apart[same] = 0
    differ = np.flatnonzero(apart >= _APART)
    overall = np.average(means, axis=0, weights=weights)
    away = np.abs(means - overall).sum(axis=2) / 2
    away[:, same] = 0
    told = float((away * weights[:, None]).sum()) - _A_TYPE * len(groups)
    named = tuple(tuple(values[place] for place in group) for group in groups)
    return Division(*span, named, tuple(differ.tolist()), told)


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


def _grouped(shares: NDArray[np.float64], span: tuple[int, int]) -> list[list[int]]:
    """Put values whose cards look alike in all columns into one group; return their places."""
    apart = _distance(shares)
    apart[:, :, span[0] : span[1] + 1] = 0
    near = apart.max(axis=2) < _APART
    groups: list[list[int]] = []
    for number in range(len(shares)):
        home = next((g for g in groups if all(near[number, other] for other in g)), None)
        if home is None:
            groups.append([number])
        else:
            home.append(number)
    return groups

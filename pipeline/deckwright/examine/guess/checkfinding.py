"""Finding check digits: schemes that hold far oftener than chance would have it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.guess.columns import ZERO, Look
from deckwright.layout.checkdigits import check_columns

Scheme = tuple[str, tuple[int, ...], bool]

SCHEMES: tuple[Scheme, ...] = (
    ("luhn", (), False),
    ("mod11", (2, 3, 4, 5, 6, 7), False),
    ("mod11", (2, 3, 4, 5, 6), False),
    ("mod11", (2, 3, 4, 5, 6, 7, 8, 9, 10), True),
    ("mod10", (3, 1), False),
    ("mod10", (7, 3, 1), False),
    ("mod10", (1, 2), False),
    ("verhoeff", (), False),
    ("damm", (), False),
    ("mod11-10", (), False),
    ("mod11-2", (), False),
    ("mod97-10", (), False),
)
"""Schemes that are tried: name, weights, whether X stands for 10."""

_NARROWEST, _WIDEST = 4, 12
_SCREEN = 400
_TRIED = 20_000
_SCREENED = 0.8
_LEAST = 0.9
_MOST_CHANCE = 0.35
_FEWEST = 20  # different numbers
_DIGITS = 0.97
_VARIED = 5  # different check digits


@dataclass(frozen=True, slots=True)
class CheckGuess:
    """A check digit: columns (from 1) of the number with it, scheme, share, share by chance."""

    first: int
    last: int
    scheme: Scheme
    share: float
    chance: float
    numbers: int
    other: tuple[tuple[str, float], ...] = ()

    def table(self) -> dict[str, object]:
        """Return the table `check` of a layout."""
        return table_of(self.scheme)


def table_of(scheme: Scheme) -> dict[str, object]:
    """Return a scheme as the table `check` of a layout."""
    name, weights, x = scheme
    table: dict[str, object] = {"scheme": name}
    if weights:
        table["weights"] = list(weights)
    if x:
        table["x"] = True
    return table


def name_of(scheme: Scheme) -> str:
    """Return a scheme in words."""
    name, weights, x = scheme
    said = f"{name} with weights {', '.join(map(str, weights))}" if weights else name
    return f"{said}, X for 10" if x else said


def find_checks(look: Look, taken: NDArray[np.bool_]) -> list[CheckGuess]:
    """Return numbers with check digits that do not overlap, nor take columns bool (L)."""
    hits = [
        guess
        for last in range(_NARROWEST - 1, look.width)
        if look.distinct(last) >= _VARIED and not taken[last] and _is_digit(look, last, end=True)
        for guess in _ending_at(look, last, taken)
    ]
    found: list[CheckGuess] = []
    used = taken.copy()
    for guess in sorted(hits, key=lambda one: (-round(one.share, 2), one.first - one.last)):
        if used[guess.first - 1 : guess.last].any():
            continue
        used[guess.first - 1 : guess.last] = True
        found.append(guess)
    return found


def _is_digit(look: Look, column: int, *, end: bool = False) -> bool:
    counts = look.filled(column)
    good = int(counts[ZERO : ZERO + 10].sum()) + (int(counts[ord("X")]) if end else 0)
    return bool(good >= _DIGITS * max(1, counts.sum()) and look.blank[column] < 1)


def _ending_at(look: Look, last: int, taken: NDArray[np.bool_]) -> list[CheckGuess]:
    first = last
    while first > 0 and last - first + 2 <= _WIDEST and not taken[first - 1]:
        if not _is_digit(look, first - 1):
            break
        first -= 1
    if last - first + 1 < _NARROWEST:
        return []
    cells = look.columns[first : last + 1]
    rows = np.flatnonzero((cells >= ZERO).all(axis=0))
    if len(rows) < _FEWEST:
        return []
    few = cells[:, rows[np.linspace(0, len(rows) - 1, min(_SCREEN, len(rows))).astype(int)]]
    more = cells[:, rows[np.linspace(0, len(rows) - 1, min(_TRIED, len(rows))).astype(int)]]
    guesses = []
    for start in range(len(cells) - _NARROWEST + 1):
        holding = [
            (scheme, *_share(more[start:], scheme))
            for scheme in SCHEMES
            if _share(few[start:], scheme)[0] >= _SCREENED
        ]
        guess = _best(more[start:], holding, first + start + 1, last + 1)
        if guess is not None:
            guesses.append(guess)
    return guesses


def _share(cells: NDArray[np.uint8], scheme: Scheme) -> tuple[float, float]:
    """Return the share of numbers (w, n) that a scheme fits, and the share by chance."""
    name, weights, x = scheme
    size = 2 if name == "mod97-10" else 1
    reckoned, valid = check_columns(name, cells[:-size], weights, x=x)
    given = cells[-size:].T
    share = float((valid & (reckoned == given).all(axis=1)).mean())
    chance = 1.0
    for place in range(size):
        ours = np.bincount(reckoned[:, place], minlength=256) / len(given)
        theirs = np.bincount(given[:, place], minlength=256) / len(given)
        chance *= float((ours * theirs).sum())
    return share, chance


def _best(
    cells: NDArray[np.uint8], holding: list[tuple[Scheme, float, float]], first: int, last: int
) -> CheckGuess | None:
    good = [one for one in holding if one[1] >= _LEAST and one[2] <= _MOST_CHANCE]
    if not good:
        return None
    rows = np.ascontiguousarray(cells.T)
    numbers = len(np.unique(rows.view(f"V{rows.shape[1]}")))
    payload_varies = sum(len(np.unique(row)) > 1 for row in cells[:-1])
    if numbers < _FEWEST or payload_varies < 2:  # noqa: PLR2004 # one column proves nothing
        return None
    good.sort(key=lambda one: -one[1])
    scheme, share, chance = good[0]
    other = tuple((name_of(one), part) for one, part, _ in good[1:])
    return CheckGuess(first, last, scheme, share, chance, numbers, other)

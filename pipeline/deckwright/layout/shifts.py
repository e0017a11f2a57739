"""Failed cards that would fit if they stood one column further left or right."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.layout.failures import SHIFTED, UNKNOWN_CARD_TYPE, Failure
from deckwright.layout.words import BLANK, Bytes, Places

Holes = NDArray[np.uint16]
Check = Callable[[Bytes, Holes | None], Sequence[Failure]]

_FEWEST = 2  # fields at fault; one alone may be anything


@dataclass(frozen=True, slots=True)
class _Faults:
    """Fields at fault, one a card and field (k). rows: cards; first, last: columns from 1."""

    rows: Places
    first: Places
    last: Places
    untyped: Places

    def cards(self) -> tuple[Places, Places]:
        """Return the cards worth a try, and the first faulty column (from 1) of each."""
        rows, places = np.unique(self.rows, return_inverse=True)
        first = np.full(len(rows), np.iinfo(np.intp).max)
        np.minimum.at(first, places, self.first)
        some = (np.bincount(places) >= _FEWEST) | np.isin(rows, self.untyped)
        return rows[some], first[some]

    def enough(self, rows: Places, into: Places) -> NDArray[np.bool_]:
        """Return bool (k): cards whose faults say enough without the field around a column."""
        at = np.minimum(np.searchsorted(rows, self.rows), len(rows) - 1)
        told = (rows[at] == self.rows) & ~((self.first <= into[at]) & (into[at] <= self.last))
        counts = np.bincount(at[told], minlength=len(rows))
        return np.asarray((counts >= _FEWEST) | np.isin(rows, self.untyped))


def shifted(
    check: Check, text: Bytes, holes: Holes | None, failures: Sequence[Failure]
) -> list[Failure]:
    """Return which failed cards pass every check as a whole, or from their first faulty field on.

    A field around the column that comes in empty is not judged. Cards that fit on both sides, and
    those with one faulty field only, are not told of.

    Args:
        check: checks cards (n, L) and their holes.
        text: cards (n, L).
        holes: patterns (n, L), where the medium has them.
        failures: what `check` found in these cards.
    """
    faults = _faults(failures)
    if faults is None:
        return []
    rows, first = faults.cards()
    if not rows.size:
        return []
    tries = _Tries(check, text[rows], None if holes is None else holes[rows], faults, rows, first)
    left, right = tries.fitting(left=True), tries.fitting(left=False)
    found = []
    for side, told, other in (("left", left, right), ("right", right, left)):
        told[other[:, 0] > 0] = 0  # both sides fit, so neither is told of
        kinds, which = np.unique(told, axis=0, return_inverse=True)
        for place, (start, lost) in enumerate(kinds.tolist()):
            if start:
                same = rows[which.reshape(-1) == place]
                detail = _sentence(side, start, lost)
                whole = (1, text.shape[1])
                found.append(Failure(same, SHIFTED, "", whole, None, detail, "fatal"))
    return found


def _sentence(side: str, start: int, lost: int) -> str:
    where = f" from column {start} on" if start > 1 else ""
    but = f", but for column {lost}" if lost else ""
    return f"would fit shifted one column to the {side}{where}{but}"


@dataclass(frozen=True, slots=True)
class _Tries:
    """Cards (k) to be tried. rows: their places; first: first faulty column (from 1) of each."""

    check: Check
    text: Bytes
    holes: Holes | None
    faults: _Faults
    rows: Places
    first: Places

    def fitting(self, *, left: bool) -> NDArray[np.int64]:
        """Return int64 (k, 2): the column from which each fits, 0 = none; the one lost, 0 = none.

        A column that is pushed out must be blank, so that no hole is left out of account.
        """
        told = np.zeros((len(self.rows), 2), np.int64)
        for start in (np.ones_like(self.first), self.first):
            out, into = (start, np.full_like(start, self.text.shape[1]))[:: 1 if left else -1]
            todo = np.flatnonzero(
                (told[:, 0] == 0)
                & (self.text[np.arange(len(start)), out - 1] == BLANK)
                & self.faults.enough(self.rows, into)
            )
            if not todo.size:
                continue
            failures = self.check(*self._moved(todo, out[todo], into[todo]))
            bad, lost = np.zeros(len(todo), np.bool_), np.zeros(len(todo), np.bool_)
            for each in failures:
                if each.severity == "fatal":
                    at = into[todo[each.rows]]
                    around = (each.columns[0] <= at) & (at <= each.columns[1])
                    bad[each.rows[~around]] = True
                    lost[each.rows[around]] = True
            fits = todo[~bad]
            told[fits, 0], told[fits, 1] = start[fits], np.where(lost, into[todo], 0)[~bad]
        return told

    def _moved(self, todo: Places, out: Places, into: Places) -> tuple[Bytes, Holes | None]:
        """Return cards with one column taken out and a blank one brought in."""
        columns = np.arange(1, self.text.shape[1] + 1)
        step = ((columns >= out[:, None]) & (columns < into[:, None])).astype(np.intp)
        step -= (columns > into[:, None]) & (columns <= out[:, None])
        places = columns - 1 + step
        text = np.take_along_axis(self.text[todo], places, axis=1)
        text[np.arange(len(todo)), into - 1] = BLANK
        if self.holes is None:
            return text, None
        holes = np.take_along_axis(self.holes[todo], places, axis=1)
        holes[np.arange(len(todo)), into - 1] = 0
        return text, holes


def _faults(failures: Sequence[Failure]) -> _Faults | None:
    fatal = [each for each in failures if each.severity == "fatal"]
    if not fatal:
        return None
    fields = {name: place for place, name in enumerate({each.field for each in fatal})}
    pairs = [np.column_stack([each.rows, np.full(len(each.rows), fields[each.field]),
             np.tile(each.columns, (len(each.rows), 1))]) for each in fatal]  # fmt: skip
    every = np.concatenate(pairs)
    _, once = np.unique(every[:, :2], axis=0, return_index=True)
    every = every[np.sort(once)]
    untyped = [each.rows for each in fatal if each.reason == UNKNOWN_CARD_TYPE]
    return _Faults(
        every[:, 0], every[:, 2], every[:, 3], np.concatenate([np.zeros(0, np.intp), *untyped])
    )

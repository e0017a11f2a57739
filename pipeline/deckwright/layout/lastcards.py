"""The last cards before a place in the order of the cards, for who must look at neighbours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.values import Values

_BLANK = 32


@dataclass(frozen=True, slots=True)
class LastCards:
    """Some fields of the last cards before a place; `Tray.last` makes it, `Tray.earlier` uses it.

    most: how many cards are kept at most. fields: by name, values over the k cards there are, in
    their order; `card` is the card number.
    """

    most: int
    fields: Mapping[str, Values]

    def __len__(self) -> int:
        return len(next(iter(self.fields.values()), ()))

    def then(self, later: LastCards) -> LastCards:
        """Return the last cards once those of a later stretch, kept alike, have come after these.

        Raises:
            ValueError: they do not keep the same fields of the same number of cards.
        """
        if self.most != later.most or set(self.fields) != set(later.fields):
            msg = f"{self._kept} cannot be followed by {later._kept}"
            raise ValueError(msg)
        if len(later) >= self.most:
            return later
        fields = {}
        for name, values in self.fields.items():
            joined = joined_values(values, later.fields[name])
            rows = np.arange(max(0, len(joined) - self.most), len(joined))
            fields[name] = plain(joined.take(rows))
        return LastCards(self.most, fields)

    @property
    def _kept(self) -> str:
        return f"the last {self.most} cards with {', '.join(sorted(self.fields))}"


def plain(values: Values) -> Values:
    """Return values as alike ones are always held: no blanks behind texts, no needless mask."""
    missing = values.missing
    if missing is not None and not missing.any():
        missing = None
    data = values.data
    if values.kind == "text":
        used = np.flatnonzero((data != _BLANK).any(axis=0))
        data = np.ascontiguousarray(data[:, : int(used[-1]) + 1 if used.size else 1])
    return Values(values.kind, data, missing, values.scale)


def shifted(values: Values, before: Values | None, by: int) -> Values:
    """Return values (n) of the card so many places earlier, missing where there is none.

    Args:
        values: a field over the n cards of a tray.
        before: the same field of the last cards before that tray; None = no card was before it.
        by: how many places, at least 1.
    """
    joined = values if before is None else joined_values(before, values)
    start = len(joined) - len(values) - by
    rows = np.arange(start, start + len(values))
    there = rows >= 0
    found = joined.take(np.maximum(rows, 0)) if len(joined) else joined
    if there.all():
        return found
    data = np.array(found.data)
    data[~there] = _BLANK if found.kind == "text" else 0
    return Values(found.kind, data, ~(found.present() & there), found.scale)


def joined_values(first: Values, second: Values) -> Values:
    """Return the values of a field over some cards and over those that come after them.

    Raises:
        ValueError: they are not of one kind and scale.
    """
    if (first.kind, first.scale) != (second.kind, second.scale):
        became = f"{second.kind} (scale {second.scale})"
        msg = f"a field of {first.kind} (scale {first.scale}) became one of {became} between cards"
        raise ValueError(msg)
    parts = _same_width(first.data, second.data, 0 if first.kind == "holes" else _BLANK)
    data: NDArray[np.generic] = np.concatenate(parts)
    if first.missing is None and second.missing is None:
        return Values(first.kind, data, None, first.scale)
    return Values(
        first.kind, data, ~np.concatenate([first.present(), second.present()]), first.scale
    )


def _same_width(
    one: NDArray[np.generic], other: NDArray[np.generic], fill: int
) -> list[NDArray[np.generic]]:
    if one.ndim == 1 or one.shape[1] == other.shape[1]:
        return [one, other]
    width = max(one.shape[1], other.shape[1])
    return [
        np.pad(each, ((0, 0), (0, width - each.shape[1])), constant_values=fill)
        for each in (one, other)
    ]

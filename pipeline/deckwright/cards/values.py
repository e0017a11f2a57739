"""One field over the cards of a tray, as arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.matrix import rows_of

ValueKind = Literal["text", "whole", "decimal", "date", "holes"]
"""How a field's values are held."""

Rows = NDArray[np.bool_] | NDArray[np.integer]
"""A mask (n) or row places (k) of a tray."""


@dataclass(frozen=True, slots=True)
class Values:
    """A field's values over n cards.

    `data` by kind: text uint8 (n, w) internal bytes as punched; whole int64 (n);
    decimal int64 (n) counted in units of 10**-scale; date int32 (n) days since 1970-01-01;
    holes uint16 (n, w) patterns. Missing slots hold zero, or blanks in text.
    """

    kind: ValueKind
    data: NDArray[np.generic]
    missing: NDArray[np.bool_] | None = None
    scale: int = 0

    def __len__(self) -> int:
        return len(self.data)

    def take(self, rows: Rows) -> Values:
        """Return the values of these rows, in this order."""
        missing = None if self.missing is None else self.missing[rows]
        if self.data.ndim > 1:
            places = rows if rows.dtype != np.bool_ else np.flatnonzero(rows)
            return replace(self, data=rows_of(self.data, places.astype(np.intp)), missing=missing)
        return replace(self, data=self.data[rows], missing=missing)

    def present(self) -> NDArray[np.bool_]:
        """Return bool (n): true where there is a value."""
        if self.missing is None:
            return np.ones(len(self.data), np.bool_)
        return ~self.missing

"""Columns that no field names, where a layout says that they are blank."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.matrix import cut, rows_of
from deckwright.jobs.fieldspecs import parse_columns
from deckwright.jobs.layouts import LayoutSpec
from deckwright.layout.failures import NOT_BLANK, Failure
from deckwright.layout.words import BLANK, Bytes, blank_fields

Gaps = list[tuple[int, int]]

_DETAIL = "no field names these columns; they should be blank"


class Elsewhere:
    """The columns of each card type that neither a field nor a condition of the type names."""

    def __init__(self, spec: LayoutSpec) -> None:
        self.severity = spec.elsewhere_severity
        self.gaps: list[Gaps] = []
        if spec.elsewhere == "any":
            return
        conditions = [card.when for card in spec.card] or [[]]
        for (_, fields), when in zip(spec.card_fields(), conditions, strict=True):
            spans = [one.span for one in (*fields, *when)]
            spans += [
                parse_columns(one.check.over) for one in fields if one.check and one.check.over
            ]
            self.gaps.append(_between(spans, spec.record_length))

    def failures(self, text: Bytes, types: NDArray[np.int16] | None) -> Iterator[Failure]:
        """Yield a failure for each stretch of columns where cards are not blank.

        Args:
            text: steady text (n, L).
            types: place of each card's type, -1 for none; None where all are of one type.
        """
        for place, gaps in enumerate(self.gaps):
            rows = None if types is None else np.flatnonzero(types == place)
            if rows is not None and not rows.size:
                continue
            cards = text if rows is None or len(rows) == len(text) else rows_of(text, rows)
            for first, last in gaps:
                bad = np.flatnonzero(~blank_fields(cards, first, last - first + 1))
                if bad.size:
                    column = (cut(cards, first, last)[bad] != BLANK).argmax(axis=1) + first
                    where = bad if rows is None else rows[bad]
                    yield Failure(
                        where, NOT_BLANK, "", (first, last), column, _DETAIL, self.severity
                    )


def _between(spans: list[tuple[int, int]], length: int) -> Gaps:
    """Return the stretches of columns 1 to length that no span covers."""
    gaps = []
    after = 1
    for first, last in sorted([*spans, (length + 1, length + 1)]):
        if first > after:
            gaps.append((after, first - 1))
        after = max(after, last + 1)
    return gaps

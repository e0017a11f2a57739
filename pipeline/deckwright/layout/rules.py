"""Rules over several fields of one card."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.values import Values
from deckwright.jobs.layouts import RuleSpec
from deckwright.layout.expressions import Expression, series
from deckwright.layout.words import Places

Mask = NDArray[np.bool_]


class Rules:
    """The rules of a layout."""

    def __init__(self, specs: list[RuleSpec]) -> None:
        self.specs = specs
        self.expressions = [Expression(spec.holds) for spec in specs]
        self.names = list(dict.fromkeys(n for one in self.expressions for n in one.names))

    def broken(self, values: Mapping[str, Values], unread: Mapping[str, Places]) -> list[Places]:
        """Return, rule by rule, the cards that break it.

        Args:
            values: the fields over n cards.
            unread: by field, the cards on which it could not be read; a rule is not judged there,
                since the fault that is reported already would be reported twice.
        """
        if not self.specs:
            return []
        frame = pl.DataFrame([series(values[name], name) for name in self.names])
        return [self._broken(one, frame, unread) for one in self.expressions]

    def _broken(
        self, rule: Expression, frame: pl.DataFrame, unread: Mapping[str, Places]
    ) -> Places:
        holds = rule.evaluate(frame)
        if holds.all():  # where a value is missing, a rule is not broken
            return np.zeros(0, np.intp)
        broken: Mask = ~holds.fill_null(value=True).to_numpy()
        for name in rule.names:
            if name in unread:
                broken[unread[name]] = False
        return np.flatnonzero(broken)

    def marked(self, place: int) -> list[str]:
        """Return the fields that a rule marks."""
        return self.specs[place].fields or self.expressions[place].names

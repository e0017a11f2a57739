"""How often each reason was given, one line a reason however often its wording differs."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping

from deckwright.engine.passes.tasks import ReasonKey

_NUMBERS = re.compile(r"\d[\d,]*(?:(?:, | and |-|\u2013)\d[\d,]*)*")
_MOST = 4  # wordings of one reason that stand apart: rules of a layout have a sentence each


def reason_counts(reasons: Mapping[ReasonKey, int]) -> dict[ReasonKey, int]:
    """Return reasons in order, those that only name other columns or cards together as one.

    What a person is asked to look at differs from card to card; such a reason would have as many
    lines as there are cards.
    """
    alike: dict[tuple[int, str, str, str], dict[str, list[tuple[str, int]]]] = defaultdict(dict)
    for (stage, severity, reason, field, detail), cards in sorted(reasons.items()):
        wording = _NUMBERS.sub("#", detail).replace("columns #", "column #")
        alike[stage, severity, reason, field].setdefault(wording, []).append((detail, cards))
    found: dict[ReasonKey, int] = {}
    for key, wordings in alike.items():
        groups = list(wordings.values())
        if len(groups) > _MOST:
            groups = [[one for group in groups for one in group]]
        for group in groups:
            found[*key, _said(group)] = sum(cards for _, cards in group)
    return dict(sorted(found.items()))


def _said(group: list[tuple[str, int]]) -> str:
    """Return the most frequent wording, and that there are others."""
    detail = min(group, key=lambda one: (-one[1], one[0]))[0]
    return detail if len(group) == 1 else f"{detail} (and the like, {len(group):,} wordings)"

"""When most cards fail: which other code or column shift would fit the layout better."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import CodeTable
from deckwright.engine.plan import Plan, Step
from deckwright.errors import DeckwrightError
from deckwright.layout.reading import Layout
from deckwright.layout.tray import legal_patterns, undefined
from deckwright.plugin.media import Survey
from deckwright.plugin.stages import OptionProblem

CODES = (
    "cp037",
    "cp500",
    "cp273",
    "ascii",
    "latin-1",
    "ebcdic",
    "ascii-card",
    "commercial-64",
    "scientific-64",
)
SHIFTS = (-3, -2, -1, 1, 2, 3)
_SAMPLE = 2_000
_CLEARLY = 0.2  # a reading is named when it saves this share of the cards


def better_reading(plan: Plan, step: Step, deck: Path, survey: Survey) -> str:
    """Return a sentence on what fails most, and which other reading would fit better."""
    layout = getattr(step.stage, "layout", None)
    if not isinstance(layout, Layout):
        return "see what the stage asks of the cards"
    medium = plan.source.medium
    raw = next(iter(medium.read(deck, survey.spans[0], _SAMPLE)))
    now, worst = _share(layout, raw.text, raw.holes, medium.code)
    found = [
        (share, how)
        for how, share in _readings(plan, layout, deck, survey, raw.text, raw.holes)
        if share < now - _CLEARLY
    ]
    if found:
        share, how = min(found)
        return (
            f"{worst}; {how} would fail only {share:.0%} of the first {len(raw.text):,} cards "
            f"where this reading fails {now:.0%}"
        )
    return f"{worst}; no other code page and no shift of columns fits better, so look at the layout"


def _readings(
    plan: Plan,
    layout: Layout,
    deck: Path,
    survey: Survey,
    text: NDArray[np.uint8],
    holes: NDArray[np.uint16] | None,
) -> Iterator[tuple[str, float]]:
    medium = plan.source.medium
    for shift in SHIFTS:
        moved = np.roll(text, -shift, axis=1)
        turned = None if holes is None else np.roll(holes, -shift, axis=1)
        side = "right" if shift > 0 else "left"
        how = f"a layout shifted {abs(shift)} column{'s' if abs(shift) > 1 else ''} to the {side}"
        yield how, _share(layout, moved, turned, medium.code)[0]
    for name in CODES:
        if name == medium.code.name:
            continue
        try:
            options = {**medium.config.model_dump(), "code": name}
            other = plan.configs.medium(options)
            raw = next(iter(other.read(deck, survey.spans[0], _SAMPLE)))
        except (DeckwrightError, OptionProblem, ValueError, LookupError):
            continue
        yield f"code {name!r}", _share(layout, raw.text, raw.holes, other.code)[0]


def _share(
    layout: Layout,
    text: NDArray[np.uint8],
    holes: NDArray[np.uint16] | None,
    code: CodeTable,
) -> tuple[float, str]:
    """Return the share of cards that fail, and a sentence on the reason that fails most."""
    _, failures = layout.check(text, holes, legal_patterns(code), undefined(code))
    fatal = [failure for failure in failures if failure.severity == "fatal"]
    if not fatal or not len(text):
        return 0.0, "no reason stands out"
    failed = np.zeros(len(text), np.bool_)
    for failure in fatal:
        failed[failure.rows] = True
    worst = max(fatal, key=lambda failure: len(failure.rows))
    columns: Any = worst.columns
    sentence = (
        f"most often {worst.reason} in field {worst.field!r} (columns {columns[0]}-{columns[1]}, "
        f"{len(worst.rows) / len(text):.0%} of the first {len(text):,} cards)"
    )
    return float(failed.mean()), sentence

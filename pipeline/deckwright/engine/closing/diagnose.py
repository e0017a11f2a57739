"""When most cards fail: which other code or column shift would fit the layout better."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from deckwright.cards.codetable import CodeTable
from deckwright.engine.passes.tasks import ReasonKey
from deckwright.engine.planning.plan import Plan, Step
from deckwright.errors import DeckwrightError
from deckwright.layout.reading import Layout
from deckwright.layout.tray import legal_patterns, undefined
from deckwright.plugin.media import Medium
from deckwright.plugin.stages import OptionProblem
from deckwright.plugin.values import DeckPart, RawTray, Span
from deckwright.wording import percent

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


def better_reading(
    plan: Plan, step: Step, sample: tuple[DeckPart, Span], reasons: Mapping[ReasonKey, int]
) -> str:
    """Return a sentence on what fails most, and which other reading would fit better.

    Args:
        plan: the plan of the run.
        step: the stage whose limit was passed.
        sample: the deck and the stretch of it on which other readings are tried.
        reasons: how often each reason was given so far.
    """
    worst = _worst(step, reasons)
    layouts = [getattr(later.stage, "layout", None) for later in plan.steps[step.number - 1 :]]
    layout = next((found for found in layouts if isinstance(found, Layout)), None)
    deck, span = sample
    layout = layout or plan.layout_of(deck)
    if layout is None:
        return worst
    medium = plan.medium_of(deck)
    raw = next(iter(medium.read(Path(deck.path), span, _SAMPLE)))
    now = share_failing(layout, raw, medium.code)
    found = [
        (share, how)
        for how, share in _readings(plan, medium, layout, (Path(deck.path), span), raw)
        if share < now - _CLEARLY
    ]
    if found:
        share, how = min(found)
        few = f"only {percent(share)}" if share else "none"
        return (
            f"{worst}; {how} would fail {few} of {len(raw.text):,} cards "
            f"where this reading fails {percent(now)}"
        )
    look = "the layout" if step.number > 1 else "the options of the medium, such as record_length"
    return f"{worst}; no other code page and no shift of columns fits better, so look at {look}"


def _worst(step: Step, reasons: Mapping[ReasonKey, int]) -> str:
    mine = {key: n for key, n in reasons.items() if key[0] == step.number and key[1] == "fatal"}
    if not mine:
        return "see what the stage asks of the cards"
    (_, _, reason, field, detail), count = max(mine.items(), key=lambda item: (item[1], item[0]))
    layout = getattr(step.stage, "layout", None)
    columns = layout.columns(field) if isinstance(layout, Layout) else []
    place = f" (columns {columns[0][0]}-{columns[0][1]})" if columns else ""
    where = f" in field {field!r}{place}" if field else ""
    said = f"{detail} ({reason})" if detail else reason
    return f"most often{where}, {count:,} times: {said}"


def _readings(
    plan: Plan, medium: Medium[Any], layout: Layout, sample: tuple[Path, Span], raw: RawTray
) -> Iterator[tuple[str, float]]:
    for shift in SHIFTS:
        holes = None if raw.holes is None else np.roll(raw.holes, -shift, axis=1)
        moved = replace(raw, text=np.roll(raw.text, -shift, axis=1), holes=holes)
        side = "right" if shift > 0 else "left"
        how = f"a layout shifted {abs(shift)} column{'s' if abs(shift) > 1 else ''} to the {side}"
        yield how, share_failing(layout, moved, medium.code)
    for name in CODES:
        if name == medium.code.name:
            continue
        try:
            options = {**medium.config.model_dump(), "code": name}
            other = plan.configs.medium(options)
            again = next(iter(other.read(*sample, _SAMPLE)))
        except (DeckwrightError, OptionProblem, ValueError, LookupError):
            continue
        yield f"code {name!r}", share_failing(layout, again, other.code)


def share_failing(layout: Layout, raw: RawTray, code: CodeTable) -> float:
    """Return the share of cards that fail."""
    text = raw.text
    failures = layout.failures(text, raw.holes, legal_patterns(code), undefined(code))
    failed = np.zeros(len(text), np.bool_)
    rows = [failure.rows for failure in failures if failure.severity == "fatal"]
    rows += [odd.rows for odd in raw.odd if odd.severity == "fatal"]
    for failing in rows:
        failed[failing] = True
    return float(failed.mean()) if len(text) else 0.0

"""Figures of a guess: the cards that bear it, and the faults that its field would find."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from pydantic import ValidationError

from deckwright.examine.guess.columns import BLANK, Look
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.reading import Layout
from deckwright.wording import plural

_CARDS = 20_000


def failing_of(look: Look, first: int, last: int, options: Mapping[str, object]) -> float:
    """Return the share of cards with which a field (columns from 1) would find fault.

    1 where its table is none that a layout may have.
    """
    columns = str(first) if first == last else f"{first}-{last}"
    try:
        field = FieldSpec.model_validate({"name": "field", "columns": columns, **options})
    except ValidationError:
        return 1.0
    spec = LayoutSpec(record_length=look.width, field=[field])
    if layout_problems(spec):
        return 1.0
    text = look.text
    if len(text) > _CARDS:
        text = np.ascontiguousarray(text[np.linspace(0, len(text) - 1, _CARDS).astype(int)])
    _, failures = Layout(spec, "guess").check(text)
    rows = {row for failure in failures for row in failure.rows.tolist()}
    return len(rows) / max(1, len(text))


def filled_cards(look: Look, first: int, last: int) -> int:
    """Return how many cards are not blank in these columns (from 1)."""
    return int((look.columns[first - 1 : last] != BLANK).any(axis=0).sum())


def cards_said(look: Look, first: int, last: int) -> str:
    """Return `12,000 cards`, the blank ones left out and said so."""
    filled = filled_cards(look, first, last)
    if filled == look.count:
        return f"{look.count:,} cards"
    left_out = plural(look.count - filled, "blank one")
    return f"{plural(filled, 'card')} ({left_out} left out)"


def shown(cells: bytes) -> str:
    """Return a value as a person should see it."""
    text = cells.decode("latin-1")
    return "".join(c if c.isprintable() else "\u25af" for c in text)


def ranges(columns: Sequence[int]) -> str:
    """Return columns as ranges: `3, 7-9`."""
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans_of(columns))


def spans_of(columns: Sequence[int]) -> list[list[int]]:
    """Return rising columns as spans: the first and the last of each stretch without a gap."""
    spans: list[list[int]] = []
    for column in columns:
        if spans and column == spans[-1][1] + 1:
            spans[-1][1] = column
        else:
            spans.append([column, column])
    return spans

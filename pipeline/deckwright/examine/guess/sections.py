"""Running numbers that begin anew in each section: the columns that name the section."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.count.running import numbers_of
from deckwright.examine.count.sampling import Sample
from deckwright.examine.model import SequenceFacts

_FEWEST = 3  # sections beyond the first
_ONLY = 0.2  # of the changes of such a column, those at most where the numbers run on
_ALL = 0.95  # of the new beginnings, those at least at which one of the columns changes
_EXAMPLES = 8


def by_section(sample: Sample, facts: SequenceFacts) -> SequenceFacts:
    """Return the facts of running numbers, section by section where columns name sections.

    Args:
        sample: all data cards of the deck; of a sample nothing can be told.
        facts: of the whole deck.
    """
    if not sample.whole or facts.shuffled or facts.step_downs + facts.doubles < _FEWEST:
        return facts
    values, good = numbers_of(sample.text[:, facts.first - 1 : facts.last])
    text, cards, values = sample.text[good], sample.cards[good], values[good]
    down = np.diff(values) <= 0
    columns = _naming(text, down, facts)
    if not len(columns):
        return facts
    starts = np.flatnonzero((text[1:, columns] != text[:-1, columns]).any(axis=1)) + 1
    return _counted(text, cards, starts, facts, columns + 1)


def _naming(
    text: NDArray[np.uint8], down: NDArray[np.bool_], facts: SequenceFacts
) -> NDArray[np.intp]:
    """Return columns (from 0) that change where numbers begin anew, and hardly anywhere else."""
    changes = text[1:] != text[:-1]
    at, elsewhere = changes[down].sum(axis=0), changes[~down].sum(axis=0)
    naming = (at >= _FEWEST) & (elsewhere <= _ONLY * at)
    naming[facts.first - 1 : facts.last] = False
    columns = np.flatnonzero(naming)
    if not len(columns) or changes[down][:, columns].any(axis=1).mean() < _ALL:
        return columns[:0]
    return columns


def _counted(
    text: NDArray[np.uint8],
    cards: NDArray[np.int64],
    starts: NDArray[np.intp],
    facts: SequenceFacts,
    columns: NDArray[np.intp],
) -> SequenceFacts:
    """Return the facts with steps counted within each section only."""
    values, _ = numbers_of(text[:, facts.first - 1 : facts.last])
    steps = np.diff(values)
    inside = np.ones(len(steps), np.bool_)
    inside[starts - 1] = False
    after = cards[1:]
    gaps = inside & (steps > 0) & (steps != facts.step)
    downs, doubles = inside & (steps < 0), inside & (steps == 0)
    return replace(
        facts,
        follow=int((inside & (steps == facts.step)).sum()) + len(starts),
        gaps=int(gaps.sum()),
        step_downs=int(downs.sum()),
        doubles=int(doubles.sum()),
        restarts=False,
        sections=tuple(columns.tolist()),
        again=len(starts),
        gap_cards=after[gaps][:_EXAMPLES].tolist(),
        step_down_cards=after[downs][:_EXAMPLES].tolist(),
        double_cards=after[doubles][:_EXAMPLES].tolist(),
    )

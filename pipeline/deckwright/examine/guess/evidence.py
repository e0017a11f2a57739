"""Which code speaks best for a deck, and which cells would read differently under the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import CodeTable
from deckwright.examine.count.sampling import Sample
from deckwright.examine.model import Reading
from deckwright.examine.opening.opening import OpenDeck
from deckwright.examine.opening.zones import in_words, zones_fit
from deckwright.identify.mediaranking import ends_lines, rank_readable
from deckwright.identify.ranking import (
    LEAST_WEIGHT,
    Candidate,
    Ranking,
    codes_of,
    differing_cells,
)

_EXAMPLES = 6
_CARDS = 20_000


def reading_of(
    opened: OpenDeck,
    sample: Sample,
    code: CodeTable,
    folders: Sequence[Path],
    *,
    named: bool,
) -> Reading:
    """Return how a deck is read, with the code's evidence and what the runner-up would change.

    Args:
        opened: the deck.
        sample: its cards.
        code: the code that reads them.
        folders: where code files of one's own lie.
        named: whether a person named the code.
    """
    cells = _raw(sample, code)
    doubts = "; also, ".join(opened.doubts)
    if cells is None:
        return Reading(opened.options, opened.ranking, None, sure=not doubts, question=doubts)
    names = None if sample.holes is not None else _names(opened, folders)
    ranking = in_words(rank_readable(cells, names, folders, zones_fit).ranking)
    sure = named or (ranking.sure and ranking.weight >= LEAST_WEIGHT)
    rival = _rival(ranking, code.name)
    differs: Mapping[int, int] = {}
    examples: Sequence[tuple[str, str, str, int]] = ()
    if rival is not None:
        some = cells[np.linspace(0, len(cells) - 1, min(len(cells), _CARDS)).astype(int)]
        found = differing_cells(code, load_code(rival.name, folders), some)
        counts = found.cells.sum(axis=0)
        differs = {int(column): int(counts[column - 1]) for column in found.columns}
        examples = found.readings[:_EXAMPLES]
    asked = [] if sure or rival is None else [_question(code, rival)]
    question = "; also, ".join([*asked, *opened.doubts])
    return Reading(
        opened.options,
        opened.ranking,
        None if named else ranking,
        sure=not question,
        question=question,
        runner_up="" if rival is None else rival.name,
        differs=differs,
        examples=examples,
    )


def _names(opened: OpenDeck, folders: Sequence[Path]) -> list[str] | None:
    """Return the codes that the medium can read: lines of text end as ASCII's do."""
    if (opened.inner or {}).get("kind") != "text":
        return None
    return [code.name for code in codes_of(None, folders, holes=False) if ends_lines(code)]


def _raw(sample: Sample, code: CodeTable) -> NDArray[np.uint8] | NDArray[np.uint16] | None:
    """Return the cells as they lie on the medium; None where text alone cannot give them back."""
    if sample.holes is not None:
        return sample.holes
    if code.to_raw is None:
        return None
    return np.where(code.to_raw >= 0, code.to_raw, 0).astype(np.uint8)[sample.text]


def _rival(ranking: Ranking, name: str) -> Candidate | None:
    """Return the best code that reads some cell otherwise."""
    return next((one for one in ranking.candidates if name not in (one.name, *one.same)), None)


def _question(code: CodeTable, rival: Candidate) -> str:
    return (
        f"the code is {code.name!r} or {rival.name!r}: the cells say too little to choose, so "
        f"everything below is read as {code.name!r}; look at the cells that differ, then choose "
        f"with --code {code.name} or --code {rival.name}"
    )

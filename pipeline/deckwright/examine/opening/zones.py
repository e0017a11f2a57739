"""Zones over digits as evidence for a code: a column of signed digits should read wholly so."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import ILLEGAL, CodeTable
from deckwright.identify.ranking import Ranking
from deckwright.layout.overpunch import NO_DIGIT, ZONES

BLANK = 32

_LAYOUT_FIT = re.compile(r"; [^;]+ of the cards fit the layout")

_MOSTLY = 0.9
_EITHER = 0.82  # a code that reads two of twenty signed digits wrongly must be caught too
_PENALTY = 0.4
_FOULED = 0.1  # of the filled cells, from which a column does not read so at all
_SOME = 0.003


def internal(cells: NDArray[np.uint16], code: CodeTable) -> NDArray[np.uint8]:
    """Return cells, raw bytes or patterns, as internal bytes of a code."""
    holes = code.from_raw is None or int(cells.max(initial=0)) >= len(code.from_raw)
    if not holes and code.from_raw is not None:
        return code.from_raw[cells]
    if code.from_holes is None:
        return np.full(cells.shape, ILLEGAL, np.uint8)
    return np.where(code.from_holes >= 0, code.from_holes, ILLEGAL).astype(np.uint8)[cells]


def zone_columns(text: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return bool (L): columns of text (n, L) that hold digits with zones, behind a digit column.

    Mostly digits with or without a zone, some with one, the column before nearly all digits.
    """
    filled = np.maximum(1, (text != BLANK).sum(axis=0))
    plain = ((text >= 48) & (text < 58)).sum(axis=0) / filled  # noqa: PLR2004 # digits
    either = (ZONES[text] != NO_DIGIT).sum(axis=0) / filled
    before = np.concatenate([[0.0], plain[:-1]])
    found: NDArray[np.bool_] = (
        (before >= _MOSTLY) & (either >= _EITHER) & (either - plain >= _SOME) & (filled > 1)
    )
    return found


def in_words(ranking: Ranking) -> Ranking:
    """Return a ranking that was given `zones_fit`, with what that says put in its own words."""
    candidates = tuple(
        replace(
            one,
            sentence=_LAYOUT_FIT.sub("; digits with signs do not fit this code", one.sentence),
        )
        for one in ranking.candidates
    )
    said = _LAYOUT_FIT.sub("; digits with signs do not fit this code", ranking.sentence)
    return replace(ranking, candidates=candidates, sentence=said)


def zones_fit(cells: NDArray[np.uint16], code: CodeTable) -> float:
    """Return 1 where columns of signed digits hold nothing else, less by the share that does.

    Args:
        cells: uint16 (n, L), raw bytes or patterns.
        code: what reads them.
    """
    text = internal(cells, code)
    columns = np.flatnonzero(zone_columns(text))
    if not columns.size:
        return 1.0
    part = text[:, columns]
    filled = np.maximum(1, (part != BLANK).sum(axis=0))
    foul = 1 - (ZONES[part] != NO_DIGIT).sum(axis=0) / filled
    # a few odd cards foul it under every code, and should not count like two digits in twenty
    return 1 - _PENALTY * float(np.minimum(1.0, foul / _FOULED).mean())

"""Places shaped like a hole that do not show the backing: something lies behind them, or on them.

A hole over another card, a slip of paper, a deep shadow or a stain has lost its contrast, and a
place that was patched or drawn around has the outline of one. None of them is plain paper.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.reader.backing import stretches
from deckwright.pictures.reader.measure import Evidence

Floats = NDArray[np.float64]
Places = NDArray[np.bool_]

_LEAST: Final = 0.07  # of the contrast: the texture of paper makes less
_FAINT: Final = 0.1  # with blur, printed digits look like faint holes
_SHARP: Final = 0.75  # share of the step at the edges from which they do not
_EVEN: Final = 0.5  # of what a place departs from paper
_BOUND: Final = 0.6  # of the same, on each of the four sides
_PLAIN: Final = 0.06  # of the contrast: a line along an edge
_FAINT_LONG: Final = 0.02
_FAINT_SHORT: Final = 0.03
_CALM: Final = 0.06
_NO_HOLE: Final = 0.5
_SEVERAL: Final = 3
_RULE: Final = 6  # columns that a printed line runs along
_HALF: Final = 0.5
_MANY: Final = 120  # more than a row: a printed line may run along one


def ghosts(evidence: Evidence, sharpness: float) -> Places:
    """Return bool (12, 80), places that have the shape or the outline of a hole.

    Args:
        evidence: what was measured.
        sharpness: share of the step at the card's edges within half a millimetre.
    """
    return np.asarray(_shape(evidence, sharpness) | _outline(evidence))


def _shape(evidence: Evidence, sharpness: float) -> Places:
    """Return where a place is even in itself and departs from paper on all four sides."""
    core, low, high = (evidence.features[..., place] for place in range(3))
    size = np.abs(core)
    even = high - low < _EVEN * size + 2 * evidence.noise
    aside = np.sign(core)[..., None] * evidence.rims
    bounded = (size[..., None] - np.maximum(aside, 0) > _BOUND * size[..., None]).all(axis=-1)
    # printed digits stand at most places of a row, and are even where the picture is not sharp
    printed = 2 * np.quantile(size, 0.25, axis=1, keepdims=True)
    printed = printed + (_FAINT if sharpness < _SHARP else 0.0)
    least = np.maximum(printed, max(_LEAST, 8 * texture(evidence), 2 * evidence.noise))
    return np.asarray((size > least) & even & bounded)


def texture(evidence: Evidence) -> float:
    """Return the standard deviation of paper from place to place, between the rows."""
    steps = np.diff(evidence.bands[2:-1], axis=1)
    return float(1.4826 / np.sqrt(2) * np.median(np.abs(steps)))


def _outline(evidence: Evidence) -> Places:
    """Return where thin lines run plainly along a long and a short edge of a hole."""
    plain = max(_PLAIN, 2 * evidence.noise)
    long, short = _lined(evidence, plain, plain)
    return np.asarray(long & short)


def something_behind(evidence: Evidence) -> bool:
    """Return whether faint outlines of holes tell that something like paper lies behind a card.

    It lies behind many holes then; fibres and print make single lines, but no outlines.
    """
    long, short = _lined(evidence, _FAINT_LONG, _FAINT_SHORT)
    printed = _ruled(short, long)
    long, short = long & ~printed, short & ~printed
    return bool((long & short).sum() >= _SEVERAL or (long | short).sum() >= _MANY)


def _ruled(short: Places, long: Places) -> Places:
    """Return places along a line that is printed from column to column, as forms have them.

    Holes side by side have their long edges too.
    """
    found = np.zeros(short.shape, np.bool_)
    for row in range(len(short)):
        for first, last in stretches(short[row], _RULE):
            along = slice(first, last + 1)
            if long[row, along].mean() < _HALF:
                found[row, along] = True
    return found


def _lined(evidence: Evidence, long: float, short: float) -> tuple[Places, Places]:
    """Return where a line runs along a long, and along a short edge of an even place."""
    core, low, high = (evidence.features[..., place] for place in range(3))
    calm = (high - low < _CALM + 2 * evidence.noise) & (core < _NO_HOLE)
    size = np.abs(evidence.seams)
    aside = size[..., :2] > max(long, 0.7 * evidence.noise)
    beyond = size[..., 2:] > max(short, 2.2 * evidence.noise)
    return calm & aside.any(axis=-1), calm & beyond.any(axis=-1)

"""Things that lie across the edge of a card, such as a clip, a finger, a band or a label.

What lies on a card can be as light as its paper, but it ends seldom at the card's edge. Beyond that
it is seen against the backing, and what it covers on the card cannot be told from paper there.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    COLUMN_PITCH,
    ROW_PITCH,
    centres,
)
from deckwright.pictures.reader.backing import Sight, stretches

Floats = NDArray[np.float64]
Places = NDArray[np.bool_]
_Span = tuple[float, float]

_STEP: Final = 0.5  # mm between probes
_DEPTHS: Final = (0.8, 1.3, 1.8)  # mm outside of the edge
_CORNER: Final = 6.0  # mm at each end of an edge that are not looked at
_USUAL: Final = 0.6  # of the contrast: an edge that most of it does not reach tells nothing
_OTHER: Final = 0.55  # of what is usual along the edge: less is no backing
_LEAST: Final = 3  # probes: lines drawn on a backing are narrower
_JOINED: Final = 8.0  # mm between two of them that are of one thing, such as a clip's two wires
_SLANT: Final = 30.0  # mm: of one thing that lies across both long edges
_REACH: Final = 60.0  # mm that a thing across a short edge reaches inwards


def lain_across(sight: Sight) -> Places:
    """Return bool (12, 80), places that may lie under something that lies across an edge.

    As the card lies in the picture.
    """
    places = centres()
    along, down = places[..., 0], places[..., 1]
    hidden = np.zeros(along.shape, np.bool_)
    top, right, bottom, left = (list(_spans(sight, edge)) for edge in range(4))
    slanted = [
        (min(a[0], b[0]), max(a[1], b[1]))
        for a in top
        for b in bottom
        if max(a[0], b[0]) - min(a[1], b[1]) < _SLANT
    ]
    for first, last in (*top, *bottom, *slanted):
        hidden |= (along > first - COLUMN_PITCH) & (along < last + COLUMN_PITCH)
    for spans, inward in ((left, along), (right, CARD_WIDTH - along)):
        for first, last in spans:
            near = (down > first - ROW_PITCH) & (down < last + ROW_PITCH)
            hidden |= near & (inward < _REACH)
    return hidden


def _spans(sight: Sight, edge: int) -> Iterator[_Span]:
    """Yield from where to where, in mm, no backing is seen beside an edge."""
    length = CARD_WIDTH if edge % 2 == 0 else CARD_HEIGHT
    along = np.arange(_CORNER, length - _CORNER, _STEP)
    level = np.median([sight.level(_beside(edge, along, depth)) for depth in _DEPTHS], axis=0)
    usual = float(np.median(level))
    if usual < _USUAL:
        return
    found: list[_Span] = []
    for first, last in stretches(level < _OTHER * usual, _LEAST):
        span = (float(along[first]), float(along[last]))
        if found and span[0] - found[-1][1] < _JOINED:
            found[-1] = (found[-1][0], span[1])
        else:
            found.append(span)
    yield from found


def _beside(edge: int, along: Floats, depth: float) -> Floats:
    """Return points (n, 2) in mm beside an edge: 0 top, 1 right, 2 bottom, 3 left."""
    far = {0: -depth, 1: CARD_WIDTH + depth, 2: CARD_HEIGHT + depth, 3: -depth}[edge]
    across = np.full_like(along, far)
    return np.stack([along, across] if edge % 2 == 0 else [across, along], axis=-1)

"""What lies behind a flat card: where it shows, and whether holes have its colour."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH
from deckwright.pictures.reader.contrast import Contrast
from deckwright.pictures.reader.flatten import MARGIN, SCALE
from deckwright.pictures.reader.measure import Ground

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]
Places = NDArray[np.bool_]
Picture = NDArray[np.uint8]

_MOST_STRIPE: Final = 0.9  # of the contrast: a stripe beyond that cannot be told from the backing
_PLAIN: Final = 0.25  # of the contrast: light and shade make less
_STRIPE: Final = 8.0  # mm from the edge, within which a stripe may be printed


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """A flat card and what is known of its paper and backing.

    Attributes:
        scale: float32 (h, w), the flat card on the scale of its contrast.
        ground: the paper of the card.
        contrast: that scale.
        stripes: level along the top and the bottom edge: 0 paper, up to 1 if a stripe is printed.
        striped: whether there is a stripe along one of them, of any colour.
    """

    scale: Layer
    ground: Ground
    contrast: Contrast
    stripes: tuple[float, float]
    striped: bool

    def level(self, places: Floats) -> Floats:
        """Return how far each place (..., 2) in mm is like the backing: 0 paper, 1 backing."""
        return _level(self.scale, places, self.ground, self.contrast)

    def gone(self, places: Floats) -> NDArray[np.bool_]:
        """Return where places (..., 2) in mm show the backing: beyond half way from the paper."""
        top, bottom = self.stripes
        down = places[..., 1]
        printed = np.where(down < _STRIPE, top, np.where(down > CARD_HEIGHT - _STRIPE, bottom, 0))
        return np.asarray(self.level(places) > (1 + printed) / 2)


def sight_of(scale: Layer, ground: Ground, contrast: Contrast) -> Sight:
    """Return the sight of a flat card, with the stripes printed along its edges."""
    along, depth = np.meshgrid(np.arange(12, CARD_WIDTH - 12, 3.0), [0.8, 1.2, 1.6])
    found = []
    for down in (depth, CARD_HEIGHT - depth):
        level = _level(scale, np.stack([along, down], axis=-1), ground, contrast)
        found.append(float(np.median(level)))
    top, bottom = (min(max(level, 0.0), _MOST_STRIPE) for level in found)
    striped = max(abs(level) for level in found) > _PLAIN
    return Sight(scale, ground, contrast, (top, bottom), striped)


def _level(scale: Layer, places: Floats, ground: Ground, contrast: Contrast) -> Floats:
    spots = np.floor((places + MARGIN) * SCALE).astype(int)
    down = np.clip(spots[..., 1], 1, scale.shape[0] - 2)
    along = np.clip(spots[..., 0], 1, scale.shape[1] - 2)
    total = sum(scale[down + i, along + j] for i in (-1, 0, 1) for j in (-1, 0, 1))
    return np.asarray((total / 9 - ground.at(places)) / contrast.at(places))


_ENOUGH: Final = 8  # holes that tell their colour themselves
_SLACK: Final = 14.0  # levels of 255: colours run by less when they are packed as JPEG
_OUTSIDE: Final = 2.2  # mm beside the card


def other_tint(flat: Picture, spots: Floats, holes: Places) -> Places:
    """Return bool (12, 80), holes whose colour is not that of the backing, however bright.

    Args:
        flat: uint8 (h, w) or (h, w, 3), the flat card.
        spots: float64 (12, 80, 2), middles of the places, pixels of the flat card.
        holes: bool (12, 80), what is taken for a hole.
    """
    found = np.zeros(holes.shape, np.bool_)
    if flat.ndim == 2 or not holes.any():  # noqa: PLR2004 - no colours
        return found
    grid = np.stack(np.meshgrid([-2, 0, 2], [-6, -3, 0, 3, 6]), axis=-1).reshape(-1, 2)
    colours = _median(flat, np.round(spots[holes]).astype(np.int64)[:, None] + grid)
    usual = np.median(colours, axis=0) if len(colours) >= _ENOUGH else _beside(flat)
    share = colours @ usual / max(1.0, float(usual @ usual))
    apart = np.abs(colours - share[:, None] * usual).max(axis=1)
    slack = _SLACK
    if len(colours) >= _ENOUGH:
        slack = max(slack, 6 * 1.4826 * float(np.median(apart)))
    found[holes] = apart > slack
    return found


def stretches(seen: Places, least: int) -> Iterator[tuple[int, int]]:
    """Yield the first and the last place of each stretch of at least so many in a row (n)."""
    steps = np.diff(np.concatenate([[0], seen.astype(np.int8), [0]]))
    for first, after in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
        if after - first >= least:
            yield int(first), int(after) - 1


def _beside(flat: Picture) -> Floats:
    """Return float64 (3), the colour beside the card."""
    along, down = np.arange(10, CARD_WIDTH - 10, 4.0), np.arange(10, CARD_HEIGHT - 10, 4.0)
    level = np.concatenate([[(x, -_OUTSIDE), (x, CARD_HEIGHT + _OUTSIDE)] for x in along])
    upright = np.concatenate([[(-_OUTSIDE, y), (CARD_WIDTH + _OUTSIDE, y)] for y in down])
    spots = (np.concatenate([level, upright]) + MARGIN) * SCALE
    return np.asarray(np.median(_median(flat, spots.astype(np.int64)[:, None]), axis=0))


def _median(flat: Picture, spots: NDArray[np.int64]) -> Floats:
    """Return float64 (n, 3), the median colour of each group of spots (n, k, 2)."""
    x = np.clip(spots[..., 0], 0, flat.shape[1] - 1)
    y = np.clip(spots[..., 1], 0, flat.shape[0] - 1)
    return np.asarray(np.median(flat[y, x], axis=1), np.float64)

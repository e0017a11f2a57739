"""Where the backing shows and where paper does, on a flat card."""

from __future__ import annotations

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

"""Whether holes have the colour of the backing: a pencil is grey, and few backings are."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH
from deckwright.pictures.reader.flatten import MARGIN, SCALE

Floats = NDArray[np.float64]
Places = NDArray[np.bool_]
Picture = NDArray[np.uint8]

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

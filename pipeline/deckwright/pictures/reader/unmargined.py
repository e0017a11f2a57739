"""The backing of a card that fills its picture: seen at the cut corner or through its holes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import centres
from deckwright.pictures.reader.contrast import Contrast, given_contrast
from deckwright.pictures.reader.flatten import MARGIN, SCALE
from deckwright.pictures.reader.orient import cut_probes

Floats = NDArray[np.float64]

_LEAST_STEP: Final = 25.0  # levels of 255: more than stains and light do
_LEAST_HOLES: Final = 8


def backing_inside(flat: NDArray[np.uint8]) -> Contrast | None:
    """Return the contrast of a flat card without margin, None if no backing is seen in it."""
    coloured = np.repeat(flat[..., None], 3, axis=2) if flat.ndim == 2 else flat  # noqa: PLR2004
    paper = np.median(coloured[::9, ::9].reshape(-1, 3), axis=0).astype(np.float64)
    holes = _colours(coloured, centres()).reshape(-1, 3)
    backing = _apart(holes, paper)
    if backing is None:
        corners = np.median(_colours(coloured, cut_probes()[0]), axis=1)
        far = corners[np.abs(corners - paper).max(axis=1).argmax()]
        backing = far if np.abs(far - paper).max() >= _LEAST_STEP else None
    return None if backing is None else given_contrast(paper, backing)


def _apart(holes: Floats, paper: Floats) -> Floats | None:
    """Return the colour that the places least like paper share."""
    size = np.abs(holes - paper).max(axis=1)
    far = size > max(_LEAST_STEP, 0.6 * float(np.quantile(size, 0.995)))
    if far.sum() < _LEAST_HOLES:
        return None
    return np.asarray(np.median(holes[far], axis=0))


def _colours(flat: NDArray[np.uint8], places: Floats) -> Floats:
    spots = np.floor((places + MARGIN) * SCALE).astype(int)
    down = np.clip(spots[..., 1], 1, flat.shape[0] - 2)
    along = np.clip(spots[..., 0], 1, flat.shape[1] - 2)
    near = [flat[down + i, along + j] for i in (-1, 0, 1) for j in (-1, 0, 1)]
    return np.asarray(np.median(np.stack(near), axis=0), np.float64)

"""How far the backing stands out from the paper, colour by colour and place by place.

One direction in colour is chosen for each card: that in which backing and paper differ most,
compared with how much paper and backing vary in themselves. On the scale so made paper lies at some
level, and the backing about 1 above it, whether the backing is light or dark and the card coloured
or not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH
from deckwright.pictures.reader.curves import reweighted, spread
from deckwright.pictures.reader.flatten import MARGIN

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]
Picture = NDArray[np.uint8]

_COARSE: Final = 2  # pixels a millimetre at which levels along the edges are taken
_INSIDE, _OUTSIDE = 0.9, 2.2  # mm from the edge
# how firmly level, slopes and bulges of the contrast are held near none, in holes or edge places
_HOLD: Final = np.array([1.0, 3.0, 3.0, 6.0, 6.0, 6.0])
_LEAST_STEP: Final = 6.0  # levels of 255 below which paper and backing are too alike


@dataclass(frozen=True, slots=True, eq=False)
class Contrast:
    """The scale of one card.

    Attributes:
        weights: float64 (3), by which the colours make the scale.
        field: float64 (6), local contrast: a plane and a bulge over the card.
        light: whether the backing is lighter than the paper.
        step: float64 (3), backing less paper in levels of 255.
        noise: spread of paper along the edges, in units of the contrast.
    """

    weights: Floats
    field: Floats
    light: bool
    step: Floats
    noise: float

    def at(self, places: Floats) -> Floats:
        """Return the local contrast at places (..., 2) in mm."""
        return np.asarray(np.clip(field_basis(places) @ self.field, 0.2, 5))

    def corrected(self, places: Floats, levels: Floats) -> Contrast:
        """Return the scale that gives holes their level of 1.

        Holes may show the backing in other light than it has beside the card.

        Args:
            places: float64 (n, 2), holes in mm.
            levels: float64 (n), how far they stand out on this scale.
        """
        local = self.at(places)
        basis = field_basis(places)
        apart = (levels - 1) * local
        guess = np.full(len(apart), float(np.median(apart)))
        change = reweighted(basis, apart, guess, 0.03, _HOLD)
        return replace(self, field=self.field + change)


def edge_contrast(flat: Picture, scale: float) -> Contrast | None:
    """Return the contrast seen along the four edges of a flat card, None if there is too little."""
    places, inside, outside = _pairs(flat, scale)
    step = np.median(outside - inside, axis=0)
    if np.abs(step).max() < _LEAST_STEP:
        return None
    return _made(places, inside, outside - inside, step)


def given_contrast(paper: Floats, backing: Floats) -> Contrast:
    """Return the contrast of given colours (3), where no edge can be seen."""
    places = np.array([[0, 0], [CARD_WIDTH, 0], [CARD_WIDTH, CARD_HEIGHT], [0, CARD_HEIGHT]])
    inside = np.tile(paper, (4, 1))
    return _made(places, inside, np.tile(backing - paper, (4, 1)), backing - paper)


def projected(flat: Picture, contrast: Contrast) -> Layer:
    """Return float32 (h, w), a flat card on the scale of a contrast."""
    weights = contrast.weights.astype(np.float32)
    if flat.ndim == 2:  # noqa: PLR2004 - no colours
        return np.asarray(flat.astype(np.float32) * weights.sum(), np.float32)
    return np.asarray(cv2.transform(flat.astype(np.float32), weights[None, :]), np.float32)


def _made(places: Floats, inside: Floats, steps: Floats, step: Floats) -> Contrast:
    apart = steps - step
    size = np.abs(apart).max(axis=1)
    calm = size <= 3 * max(2.0, float(np.median(size)))
    blame = apart[calm].T @ apart[calm] / max(1, calm.sum())
    blame = blame + (5.0**2 + 0.05**2 * float(step @ step)) * np.eye(3)
    weights = np.linalg.solve(blame, step)
    weights = weights / (step @ weights)
    local = steps @ weights
    basis = field_basis(places)
    field = reweighted(basis, local, np.ones(len(local)), 0.05, np.array([0.0, *_HOLD[1:]]))
    level = inside @ weights
    fit = basis @ reweighted(basis, level, np.full(len(level), np.median(level)), 0.02, _HOLD * 0.1)
    noise = spread(level - fit)
    return Contrast(weights, field, bool(step.sum() > 0), step, noise)


def field_basis(places: Floats) -> Floats:
    """Return float64 (..., 6), the terms of a smooth field at places (..., 2) in mm."""
    u = places[..., 0] / CARD_WIDTH * 2 - 1
    v = places[..., 1] / CARD_HEIGHT * 2 - 1
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _pairs(flat: Picture, scale: float) -> tuple[Floats, Floats, Floats]:
    """Return places (n, 2) along the edges in mm, colours (n, 3) inside and outside of them."""
    size = (round(flat.shape[1] / scale * _COARSE), round(flat.shape[0] / scale * _COARSE))
    coarse = np.asarray(cv2.resize(flat, size, interpolation=cv2.INTER_AREA), np.float64)
    if coarse.ndim == 2:  # noqa: PLR2004 - no colours
        coarse = np.repeat(coarse[..., None], 3, axis=2)
    along = np.arange(14, CARD_WIDTH - 13, 2.0)
    down = np.arange(14, CARD_HEIGHT - 13, 2.0)
    edges = []
    for sign, far in ((1.0, 0.0), (-1.0, CARD_HEIGHT)):
        edges.append((np.stack([along, np.full_like(along, far)], axis=-1), np.array([0, sign])))
    for sign, far in ((1.0, 0.0), (-1.0, CARD_WIDTH)):
        edges.append((np.stack([np.full_like(down, far), down], axis=-1), np.array([sign, 0])))
    places = np.concatenate([points for points, _ in edges])
    inside = np.concatenate([_taken(coarse, points + _INSIDE * way) for points, way in edges])
    outside = np.concatenate([_taken(coarse, points - _OUTSIDE * way) for points, way in edges])
    return places, inside, outside


def _taken(coarse: Floats, places: Floats) -> Floats:
    spots = np.floor((places + MARGIN) * _COARSE).astype(int)
    down = np.clip(spots[:, 1], 0, coarse.shape[0] - 1)
    along = np.clip(spots[:, 0], 0, coarse.shape[1] - 1)
    return np.asarray(coarse[down, along])

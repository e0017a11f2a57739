"""Fit the lattice of hole places to the holes that are plainly there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    COLUMN_PITCH,
    COLUMNS,
    HOLE_HEIGHT,
    HOLE_WIDTH,
    ROWS,
    centres,
)
from deckwright.pictures.reader.curves import reweighted, spread
from deckwright.pictures.reader.flatten import MARGIN, SCALE

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]

WIDE: Final = (7, 10)
"""How far holes are looked for before the lattice is fitted, in pixels along and down."""

NEAR: Final = (5, 6)
"""How far after that: 0.46 mm that a hole may be off, and what the fit leaves over."""

_HOLE: Final = (round(HOLE_WIDTH * SCALE) | 1, round(HOLE_HEIGHT * SCALE) | 1)
_RING: Final = (_HOLE[0] + 6, _HOLE[1] + 8)
_PULL: Final = 0.08  # of the contrast, at the end of the reach
_SLOPE: Final = 0.6  # mm from the middle to an edge: one edge wrong by half a column
_STRONG: Final = 0.35  # of the contrast
# how firmly shifts, slopes, bends and twists of the lattice are held near none, in holes
_HOLD: Final = np.array([1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 4.0])


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Where the hole places really are.

    Attributes:
        places: float64 (12, 80, 2), pixels of the flat card.
        strong: bool (12, 80), where a hole plainly is.
        shift: float64 (12, 80, 2), mm from where the edges would have the places.
        scatter: float64 (2), standard deviation of plain holes about the lattice, in mm.
        accord: how well the plain holes keep the step of the columns, up to 1, if the card's edges
            are right but for half a column.
        rival: the same if the edges are wrong by more, so that columns would be miscounted.
        loose: how many holes are plainly there, but too far from any place of the lattice.
    """

    places: Floats
    strong: NDArray[np.bool_]
    shift: Floats
    scatter: Floats
    accord: float = 0.0
    rival: float = 0.0
    loose: int = 0


def hole_map(scale: Layer) -> Layer:
    """Return float32 (h, w): mean over a hole about each pixel less the mean of its rim."""
    hole = np.asarray(cv2.boxFilter(scale, -1, _HOLE, normalize=False), np.float32)
    ring = np.asarray(cv2.boxFilter(scale, -1, _RING, normalize=False), np.float32)
    inner = np.float32(_HOLE[0] * _HOLE[1])
    outer = np.float32(_RING[0] * _RING[1]) - inner
    return hole * (1 / inner + 1 / outer) - ring / outer


def edge_places() -> Floats:
    """Return float64 (12, 80, 2), the places by the card's edges alone, pixels of the flat card."""
    return (centres() + MARGIN) * SCALE - 0.5


def fit_lattice(holes: Layer, contrast: Floats) -> Lattice:
    """Return the lattice that fits the plain holes of a map; that of the edges if there are few.

    Args:
        holes: float32 (h, w), the hole map.
        contrast: float64 (12, 80), local contrast.
    """
    nominal = edge_places()
    first = _fitted(holes, contrast, nominal, nominal, WIDE)
    if not first.strong.any():
        return first
    best = search(holes, nominal, WIDE)[0]
    accord, rival = _accord(centres()[first.strong], ((best - nominal) / SCALE)[first.strong])
    # once more from there: far holes were half out of reach, or taken for their neighbours
    last = _fitted(holes, contrast, nominal, first.places, NEAR)
    return replace(last, accord=accord, rival=rival)


def _fitted(
    holes: Layer, contrast: Floats, nominal: Floats, places: Floats, reach: tuple[int, int]
) -> Lattice:
    """Return the lattice that fits the plain holes found near some places."""
    best, level = search(holes, places, reach)
    inside = (np.abs(best - np.round(places)) < np.array(reach)).all(axis=-1)
    plain = level > _STRONG * contrast
    strong = plain & inside
    offsets = (best - nominal) / SCALE
    basis = _basis(centres())
    shift = np.zeros((ROWS, COLUMNS, 2))
    scatter = np.zeros(2)
    if strong.any():
        for axis in range(2):
            points, values = basis[strong], offsets[..., axis][strong]
            guess = np.full(len(values), float(np.median(values)))
            coefficients = reweighted(points, values, guess, 0.1, _HOLD)
            shift[..., axis] = basis @ coefficients
            apart = values - points @ coefficients
            scatter[axis] = spread(apart)
    loose = int((plain & ~inside).sum())
    return Lattice(nominal + shift * SCALE, strong, shift, scatter, loose=loose)


def _accord(places: Floats, offsets: Floats) -> tuple[float, float]:
    """Return how well holes keep the step of the columns, the edges being right, and wrong.

    An edge placed wrongly by a whole column leaves holes near their places at both ends of the
    card, but not in the middle. Offsets are taken as angles, a column being a full turn, and a
    change along the card is sought at which they agree.

    Args:
        places: float64 (n, 2), where the edges would have plain holes, in mm.
        offsets: float64 (n, 2), how far they are from there.
    """
    turn = 2 * np.pi / COLUMN_PITCH
    u = places[:, 0] / CARD_WIDTH * 2 - 1
    slopes = np.arange(-3.4, 3.41, 0.1)
    angles = turn * (offsets[:, 0] - slopes[:, None] * u)
    agreed = np.abs(np.exp(1j * angles).mean(axis=1))
    near = np.abs(slopes) <= _SLOPE
    return float(agreed[near].max()), float(agreed[~near].max())


def search(holes: Layer, places: Floats, reach: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return the best centre near each place (..., 2), to a part of a pixel, and its level.

    Args:
        holes: float32 (h, w), the hole map.
        places: float64 (..., 2), pixels of the flat card.
        reach: how far to look, in pixels along and down.
    """
    middle = np.round(places).astype(np.int64).reshape(-1, 2)
    across, down = reach[0] + 1, reach[1] + 1
    windows = np.lib.stride_tricks.sliding_window_view(holes, (2 * down + 1, 2 * across + 1))
    left = np.clip(middle[:, 0] - across, 0, windows.shape[1] - 1)
    top = np.clip(middle[:, 1] - down, 0, windows.shape[0] - 1)
    near = windows[top, left]
    inner = near[:, 1:-1, 1:-1].reshape(len(near), -1)
    inner = inner - _pull(reach)
    row, column = np.divmod(inner.argmax(axis=1), 2 * reach[0] + 1)
    every = np.arange(len(near))
    row, column = row + 1, column + 1
    level = near[every, row, column].astype(np.float64)
    part_down = _peak(near[every, row - 1, column], level, near[every, row + 1, column])
    part_along = _peak(near[every, row, column - 1], level, near[every, row, column + 1])
    found = np.stack([left + column + part_along, top + row + part_down], axis=-1)
    return found.reshape(places.shape), level.reshape(places.shape[:-1])


def _pull(reach: tuple[int, int]) -> Layer:
    """Return what a place loses by its distance, so that bare paper draws nothing far away."""
    along, down = (np.linspace(-1, 1, 2 * half + 1) ** 2 for half in reach)
    return np.asarray(_PULL * (down[:, None] + along).ravel(), np.float32)


def _peak(before: Layer, level: Floats, after: Layer) -> Floats:
    """Return where, from -0.5 to 0.5, a parabola through three levels is highest."""
    bend = before + after - 2 * level
    part = np.where(bend < 0, (before - after) / (2 * np.where(bend < 0, bend, -1)), 0)
    return np.asarray(np.clip(part, -0.5, 0.5))


def _basis(places: Floats) -> Floats:
    u = places[..., 0] / CARD_WIDTH * 2 - 1
    v = places[..., 1] / CARD_HEIGHT * 2 - 1
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v, u**3], axis=-1)

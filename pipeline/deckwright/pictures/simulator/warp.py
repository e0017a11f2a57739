"""Where a drawn card lies in a picture: from millimetres on the card to places in the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH, INCH

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bend:
    """How a card departs from flat, in mm.

    Attributes:
        top: how far the middle of the top edge bows down (up if negative).
        bottom: the same for the bottom edge.
        side: how far the middle of both short edges bows to the right.
        pinch: how far places a quarter along stray from even spacing, as on a curved card.
    """

    top: float = 0.0
    bottom: float = 0.0
    side: float = 0.0
    pinch: float = 0.0


@dataclass(frozen=True, slots=True)
class Warp:
    """A homography from bent millimetres to the picture; a pixel's centre is at half a pixel."""

    matrix: Floats
    bend: Bend

    def __call__(self, points: Floats) -> Floats:
        """Return float64 (n, 2), the picture places of points in mm."""
        along, down = points[:, 0] / CARD_WIDTH, points[:, 1] / CARD_HEIGHT
        hump = 4 * along * (1 - along)
        bow = hump * (self.bend.top * (1 - down) + self.bend.bottom * down)
        shift = self.bend.side * 4 * down * (1 - down)
        shift = shift + self.bend.pinch * np.sin(2 * np.pi * along)
        flat = np.stack([points[:, 0] + shift, points[:, 1] + bow, np.ones(len(points))])
        ahead = self.matrix @ flat
        return np.asarray((ahead[:2] / ahead[2]).T)


def make_warp(
    ppi: float,
    skew: float,
    tilt: tuple[float, float],
    bend: Bend,
    margin: float,
    turned: str,
) -> tuple[Warp, tuple[int, int]]:
    """Return the warp of one card and the (height, width) of its picture.

    Args:
        ppi: pixels per inch.
        skew: degrees, anticlockwise positive.
        tilt: perspective, the relative change of scale from one side to the other, along and down.
        bend: how the card departs from flat.
        margin: backing around the card, in mm.
        turned: "", "upside down", "back to front" or "both".
    """
    centre = np.array([CARD_WIDTH / 2, CARD_HEIGHT / 2])
    to_middle = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1]])
    turn = np.diag(_turn(turned))
    slope = np.eye(3)
    slope[2, 0], slope[2, 1] = tilt[0] / CARD_WIDTH, tilt[1] / CARD_HEIGHT
    angle = np.radians(-skew)
    rotate = np.eye(3)
    rotate[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    scale = np.diag([ppi / INCH, ppi / INCH, 1.0])
    matrix = scale @ rotate @ slope @ turn @ to_middle
    edge = Warp(matrix, bend)(_rim())
    low = edge.min(axis=0) - margin * ppi / INCH
    size = np.ceil(edge.max(axis=0) + margin * ppi / INCH - low).astype(int)
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]])
    return Warp(shift @ matrix, bend), (int(size[1]), int(size[0]))


def moved(warp: Warp, left: float, top: float) -> Warp:
    """Return the warp for a picture cut off by so many pixels at its left and top."""
    shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1]])
    return Warp(shift @ warp.matrix, warp.bend)


def dense(points: Floats, step: float = 3.0) -> Floats:
    """Return a closed outline with further points on its sides, at most `step` mm apart."""
    parts = []
    for start, end in zip(points, np.roll(points, -1, axis=0), strict=True):
        count = max(1, int(np.hypot(*(end - start)) / step))
        parts.append(start + (end - start) * (np.arange(count) / count)[:, None])
    return np.concatenate(parts)


def _turn(turned: str) -> list[float]:
    return {
        "": [1.0, 1.0, 1.0],
        "upside down": [-1.0, -1.0, 1.0],
        "back to front": [-1.0, 1.0, 1.0],
        "both": [1.0, -1.0, 1.0],
    }[turned]


def _rim() -> Floats:
    box = [[0.0, 0.0], [CARD_WIDTH, 0.0], [CARD_WIDTH, CARD_HEIGHT], [0.0, CARD_HEIGHT]]
    return dense(np.array(box))

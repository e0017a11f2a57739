"""Lay the card flat: from millimetres on the card to pixels, and the card at a fixed scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH
from deckwright.pictures.reader.find import Outline

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]
Picture = NDArray[np.uint8]

SCALE: Final = 8
"""Pixels a millimetre of the flat card: 203 an inch, so a hole is 11 by 25 pixels."""

MARGIN: Final = 4
"""Backing around the flat card, in mm."""

FLAT_WIDTH: Final = round((CARD_WIDTH + 2 * MARGIN) * SCALE)
FLAT_HEIGHT: Final = round((CARD_HEIGHT + 2 * MARGIN) * SCALE)

WHOLE: Final = (-MARGIN, -MARGIN, CARD_WIDTH + MARGIN, CARD_HEIGHT + MARGIN)
"""Left, top, right, bottom in mm of the flat card with its margin."""

_GRID: Final = 4.0  # mm between the points at which the mapping is worked out in full


@dataclass(frozen=True, slots=True, eq=False)
class Mapping:
    """From millimetres on the card to pixels of the picture.

    Attributes:
        matrix: float64 (3, 3), the homography of the four corners.
        bows: float64 (4, 2), how far the middle of the top, right, bottom, left edge departs from
            its chord, in pixels.
        turn: how the card lies: 0 upright, 1 upside down, 2 back to front, 3 both.
    """

    matrix: Floats
    bows: Floats
    turn: int = 0

    def __call__(self, points: Floats) -> Floats:
        """Return float64 (n, 2), places in the picture of points (n, 2) in mm of the front."""
        placed = turned_places(points, self.turn)
        ahead = self.matrix @ np.stack([placed[:, 0], placed[:, 1], np.ones(len(placed))])
        flat = (ahead[:2] / ahead[2]).T
        along = (placed[:, 0] / CARD_WIDTH)[:, None]
        down = (placed[:, 1] / CARD_HEIGHT)[:, None]
        hump_along = 4 * along * (1 - along)
        hump_down = 4 * down * (1 - down)
        top, right, bottom, left = self.bows
        bow = hump_along * (top * (1 - down) + bottom * down)
        return np.asarray(flat + bow + hump_down * (left * (1 - along) + right * along))

    def turned(self, turn: int) -> Mapping:
        """Return the mapping of the card lying another way."""
        return Mapping(self.matrix, self.bows, turn)


def turned_places(points: Floats, turn: int) -> Floats:
    """Return points (n, 2) in mm of the front as they lie on a card that is turned."""
    along, down = points[:, 0], points[:, 1]
    if turn in {1, 2}:
        along = CARD_WIDTH - along
    if turn in {1, 3}:
        down = CARD_HEIGHT - down
    return np.stack([along, down], axis=-1)


def mapping_of(outline: Outline) -> Mapping:
    """Return the mapping that puts the card's corners on those of an outline."""
    box = np.array([[0, 0], [CARD_WIDTH, 0], [CARD_WIDTH, CARD_HEIGHT], [0, CARD_HEIGHT]])
    matrix = cv2.getPerspectiveTransform(box.astype(np.float32), outline.corners.astype(np.float32))
    return Mapping(np.asarray(matrix, np.float64), outline.bows)


def reduced_for(image: Picture, ppi: float) -> tuple[Picture, float]:
    """Return a picture halved until its pixels are not much finer than those of the flat card.

    Returns:
        The picture and by how much it was reduced.
    """
    factor = 1
    while ppi / 25.4 / factor > 1.8 * SCALE:
        factor *= 2
    if factor == 1:
        return image, 1.0
    size = (image.shape[1] // factor, image.shape[0] // factor)
    trimmed = image[: size[1] * factor, : size[0] * factor]
    small = cv2.resize(trimmed, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), float(factor)


def flat_card(
    image: Picture,
    mapping: Mapping,
    box: tuple[float, float, float, float] = WHOLE,
    scale: float = SCALE,
    shrunk: float = 1.0,
) -> Picture:
    """Return a piece of the card laid flat, uint8 with the channels of the picture.

    Args:
        image: uint8 (h, w) or (h, w, 3).
        mapping: where the card lies in the full picture.
        box: left, top, right, bottom in mm.
        scale: pixels a millimetre.
        shrunk: by how much `image` is smaller than the picture of the mapping.
    """
    left, top, right, bottom = box
    width, height = round((right - left) * scale), round((bottom - top) * scale)
    across = _knots(left, right)
    down = _knots(top, bottom)
    grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
    places = mapping(grid).reshape(len(down), len(across), 2) / shrunk - 0.5
    rows: Floats = np.asarray(top + (np.arange(height) + 0.5) / scale, np.float64)
    columns: Floats = np.asarray(left + (np.arange(width) + 0.5) / scale, np.float64)
    maps = [
        _between(rows, down, _between(columns, across, places[..., axis].T).T) for axis in range(2)
    ]
    flat = cv2.remap(image, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, np.uint8)


def _knots(first: float, last: float) -> Floats:
    return np.linspace(first, last, max(2, int(np.ceil((last - first) / _GRID)) + 1))


def _between(spots: Floats, knots: Floats, values: Floats | Layer) -> Layer:
    """Return float32 (n, k), values (m, k) given at knots (m), at spots (n) by straight lines."""
    step = (spots - knots[0]) / (knots[1] - knots[0])
    before = np.clip(np.floor(step).astype(int), 0, len(knots) - 2)
    part = (step - before).astype(np.float32)[:, None]
    known = values.astype(np.float32)
    return np.asarray(known[before] + part * np.diff(known, axis=0)[before])

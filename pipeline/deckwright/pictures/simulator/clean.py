"""Draw a clean card as a picture that reads back as it is: no chance, no damage."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.cards.holes import spread_rows
from deckwright.pictures.card.font import strokes
from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    COLUMN_PITCH,
    HOLE_HEIGHT,
    HOLE_WIDTH,
    INCH,
    centres,
    column_centres,
    corner_points,
)

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

MARGIN: Final = 5.0
"""Backing about the card, in mm."""

_PAPER, _BACKING, _INK = 228, 24, 70
_SUBPIXELS: Final = 4
_PRINT_TOP: Final = 1.2
_PRINT: Final = np.array([COLUMN_PITCH * 0.62, 2.4])


def clean_card(patterns: NDArray[np.uint16], text: str = "", ppi: float = 200) -> Picture:
    """Return uint8 (h, w), a card on a dark backing.

    Args:
        patterns: uint16 (80), the holes of each column.
        text: printed along the top edge, at most 80 characters.
        ppi: pixels per inch.
    """
    scale = ppi / INCH
    size = [round((side + 2 * MARGIN) * scale) for side in (CARD_HEIGHT, CARD_WIDTH)]
    image = np.full(size, _BACKING, np.uint8)
    cv2.fillPoly(image, [_pixels(corner_points("upper left"), scale)], [_PAPER], cv2.LINE_AA,
                 _SUBPIXELS)  # fmt: skip
    for line in _printed(text):
        cv2.polylines(image, [_pixels(line, scale)], isClosed=False, color=[_INK], thickness=1,
                      lineType=cv2.LINE_AA, shift=_SUBPIXELS)  # fmt: skip
    half = np.array([HOLE_WIDTH, HOLE_HEIGHT]) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    for middle in centres()[spread_rows(patterns).T]:
        cv2.fillPoly(image, [_pixels(middle + corners, scale)], [_BACKING], cv2.LINE_AA, _SUBPIXELS)
    return image


def _pixels(points: Floats, scale: float) -> NDArray[np.int32]:
    """Return points in mm of the card in the units of the drawing."""
    places = (points + MARGIN) * scale - 0.5
    return np.asarray(np.round(places * (1 << _SUBPIXELS)), np.int32)


def _printed(text: str) -> list[Floats]:
    return [
        np.array([middle - _PRINT[0] / 2, _PRINT_TOP]) + np.asarray(stroke) * _PRINT
        for character, middle in zip(text, column_centres(), strict=False)
        for stroke in strokes(character)
    ]

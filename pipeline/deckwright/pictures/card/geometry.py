"""The card in millimetres: its outline, its 960 hole places, how far a hole may stray.

The origin is the upper left corner of the front; the first axis runs along the length, the second
down the card.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Cut = Literal["upper left", "upper right", "none"]
"""Which corner of the front is cut off: upper left by custom, upper right on some stock."""

CutSaid = Cut | Literal["ask"]
"""The same as a person says it; "ask" where nobody has said."""

INCH: Final = 25.4
"""Millimetres in an inch, exactly."""

CARD_WIDTH: Final = 187.325
CARD_HEIGHT: Final = 82.55
"""Nominal size. Source: ANSI/AIIM MS41-1996, clause 4.3.1, citing ANSI X3.11."""

COLUMNS: Final = 80
ROWS: Final = 12

COLUMN_PITCH: Final = 2.2098
ROW_PITCH: Final = 6.35
HOLE_WIDTH: Final = 1.397
HOLE_HEIGHT: Final = 3.175
"""Holes and their distances. Source: FIPS PUB 13 / ANSI X3.21-1967, second hand."""

PUNCHED_OFF: Final = 0.254
"""How far off a hole's centre may be punched, on either axis. Source as for the holes."""

READABLE_OFF: Final = 0.4572
"""How far off a hole's centre must still be readable, on either axis. Source as for the holes."""

FIRST_COLUMN: Final = (CARD_WIDTH - (COLUMNS - 1) * COLUMN_PITCH) / 2
FIRST_ROW: Final = (CARD_HEIGHT - (ROWS - 1) * ROW_PITCH) / 2
"""Centres of column 1 and of row 12; derived, the block of holes being centred on the card."""

CUT_ALONG: Final = 6.35
CUT_DOWN: Final = 10.9982
"""The corner cut, 60 degrees to the top edge (ANSI X3.11, from memory)."""

CORNER_RADIUS: Final = 6.35
"""Radius of rounded corners where stock has them (from memory)."""


def column_centres() -> NDArray[np.float64]:
    """Return float64 (80), the centres of the columns in mm from the left edge."""
    return np.asarray(FIRST_COLUMN + COLUMN_PITCH * np.arange(COLUMNS), np.float64)


def row_centres() -> NDArray[np.float64]:
    """Return float64 (12), the centres of rows 12, 11, 0, 1 to 9 in mm from the top edge."""
    return np.asarray(FIRST_ROW + ROW_PITCH * np.arange(ROWS), np.float64)


def centres() -> NDArray[np.float64]:
    """Return float64 (12, 80, 2), the centre of each hole place in mm: along, down."""
    along, down = np.meshgrid(column_centres(), row_centres())
    return np.stack([along, down], axis=-1)


def corner_points(cut: Cut, radius: float = 0.0) -> NDArray[np.float64]:
    """Return float64 (n, 2), the outline's corners in mm, clockwise from the upper left.

    Args:
        cut: the corner that is cut off.
        radius: radius in mm of the corners that are not cut; 0 for square ones.
    """
    corners: list[tuple[float, float]] = []
    corners += [(0, CUT_DOWN), (CUT_ALONG, 0)] if cut == "upper left" else _arc(0, 0, radius)
    right = CARD_WIDTH
    if cut == "upper right":
        corners += [(right - CUT_ALONG, 0), (right, CUT_DOWN)]
    else:
        corners += _arc(right, 0, radius)
    corners += _arc(right, CARD_HEIGHT, radius) + _arc(0, CARD_HEIGHT, radius)
    return np.array(corners, np.float64)


def _arc(along: float, down: float, radius: float) -> list[tuple[float, float]]:
    """Return the points of one rounded corner, clockwise."""
    if not radius:
        return [(along, down)]
    inward = np.array([1 if along == 0 else -1, 1 if down == 0 else -1])
    middle = np.array([along, down]) + inward * radius
    start = {(1, 1): 180, (-1, 1): 270, (-1, -1): 0, (1, -1): 90}[int(inward[0]), int(inward[1])]
    turns = np.radians(start + np.linspace(0, 90, 10))
    ring = middle + radius * np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    return [(float(x), float(y)) for x, y in ring]

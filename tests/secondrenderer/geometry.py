"""Where things are on a card, in millimetres from the upper left corner of its front.

Hole, pitches and limits: ANSI X3.21-1967 (FIPS PUB 13). Size of the card: ANSI X3.11 as cited by
ANSI/AIIM MS41-1996. The cut and the rounding of corners are custom. Margins follow by centring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LENGTH, HEIGHT, THICKNESS = 187.325, 82.55, 0.1778
HOLE = (1.397, 3.175)
PITCH = (2.2098, 6.35)
PUNCHED_WITHIN, READ_WITHIN = 0.254, 0.4572
CUT_ALONG, CUT_DOWN = 6.35, 11.0
ROUNDING = 6.35
COLUMNS, ROWS = 80, 12
ROW_NAMES = ("12", "11", "0", "1", "2", "3", "4", "5", "6", "7", "8", "9")
CUTS = ("upper-left", "upper-right", "none")

Points = NDArray[np.float64]


def column_centres() -> NDArray[np.float64]:
    """Return 80 distances from the left edge of the front."""
    return (LENGTH - (COLUMNS - 1) * PITCH[0]) / 2 + PITCH[0] * np.arange(COLUMNS)


def row_centres() -> NDArray[np.float64]:
    """Return 12 distances from the top edge, row 12 first."""
    return (HEIGHT - (ROWS - 1) * PITCH[1]) / 2 + PITCH[1] * np.arange(ROWS)


def outline(cut: str, *, rounded: bool) -> Points:
    """Return the corners of the front, clockwise from the upper left, as an array of x and y."""
    points: list[tuple[float, float]] = []
    corners = (
        ("upper-left", 0.0, 0.0),
        ("upper-right", LENGTH, 0.0),
        ("lower-right", LENGTH, HEIGHT),
        ("lower-left", 0.0, HEIGHT),
    )
    for number, (name, x, y) in enumerate(corners):
        inward_x, inward_y = (1 if x == 0 else -1), (1 if y == 0 else -1)
        if name == cut:
            pair = [(x, y + inward_y * CUT_DOWN), (x + inward_x * CUT_ALONG, y)]
            points += pair if name == "upper-left" else pair[::-1]
        elif rounded:
            centre = (x + inward_x * ROUNDING, y + inward_y * ROUNDING)
            start = np.pi + number * np.pi / 2
            points += [
                (
                    centre[0] + ROUNDING * np.cos(start + turn),
                    centre[1] + ROUNDING * np.sin(start + turn),
                )
                for turn in np.linspace(0, np.pi / 2, 9)
            ]
        else:
            points.append((x, y))
    return np.array(points)

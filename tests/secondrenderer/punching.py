"""Holes as real openings: where they fall, how clean they are, and what still hangs in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .geometry import (
    COLUMNS,
    HOLE,
    LENGTH,
    PITCH,
    PUNCHED_WITHIN,
    ROWS,
    column_centres,
    row_centres,
)
from .noise import Rng
from .sheet import Sheet


@dataclass(frozen=True, slots=True)
class Punch:
    """How well a card was punched."""

    off: float = 0.3
    """Deviation of places from nominal as a share of the limit for punching."""
    torn: int = 0
    """Holes whose edges are torn."""
    chads: int = 0
    """Holes in which a chad hangs by one side."""
    pinholes: int = 0


def places(rng: Rng, punch: Punch) -> NDArray[np.float64]:
    """Return where the centres of holes are on the front, in mm: rows, columns, x and y.

    The card may have lain off in the punch, a little turned; each column and row adds its own.
    """
    limit = punch.off * PUNCHED_WITHIN
    x = column_centres()[None, :] + np.zeros((ROWS, 1))
    y = row_centres()[:, None] + np.zeros((1, COLUMNS))
    off = np.clip(rng.normal(0, 0.5, 2), -1, 1) * limit
    turn = float(np.clip(rng.normal(0, 0.35), -1, 1)) * limit / (LENGTH / 2)
    stretch = float(np.clip(rng.normal(0, 0.35), -1, 1)) * limit / (LENGTH / 2)
    wander = np.clip(rng.normal(0, 0.3, COLUMNS), -1, 1) * limit
    rows = np.clip(rng.normal(0, 0.25, ROWS), -1, 1) * limit
    from_middle = x - LENGTH / 2
    x = x + off[0] + stretch * from_middle + wander[None, :]
    y = y + off[1] + turn * from_middle + rows[:, None]
    return np.stack([x, y], axis=2)


def seen(points: NDArray[np.float64], side: str) -> NDArray[np.float64]:
    """Return points of the front in the coordinates of the side that is seen."""
    return points if side == "front" else points * (-1, 1) + (LENGTH, 0)


def punch_out(
    sheet: Sheet, rng: Rng, centres: NDArray[np.float64], holes: NDArray[np.bool_], punch: Punch
) -> None:
    """Open the holes of a sheet; `centres` in its own coordinates."""
    size = np.array(HOLE) + np.clip(rng.normal(0, 0.012, 2), -0.0254, 0.0254)
    punched = np.argwhere(holes)
    for row, column in punched:
        _open(sheet, centres[row, column], size)
    if len(punched) == 0:
        return
    chosen = rng.permutation(len(punched))
    for row, column in punched[chosen[: punch.torn]]:
        _tear(sheet, rng, centres[row, column])
    if punch.torn:
        sheet.marks.append("torn holes")
    for row, column in punched[chosen[punch.torn : punch.torn + punch.chads]]:
        _hang(sheet, rng, centres[row, column])
    if punch.chads:
        sheet.marks.append("hanging chads")
    for _ in range(punch.pinholes):
        row, column = rng.integers(ROWS), rng.integers(COLUMNS)
        at = centres[row, column] + (rng.choice([-1, 1]) * PITCH[0] / 2, rng.uniform(-3, 3))
        canvas = sheet.canvas()
        turn = np.linspace(0, 2 * np.pi, 9)[:-1]
        sheet.fill(canvas, at + 0.3 * np.stack([np.cos(turn), np.sin(turn)], axis=1))
        sheet.take_away(canvas, None)


def _open(sheet: Sheet, centre: NDArray[np.float64], size: NDArray[np.float64]) -> None:
    """Take a rectangle away; a pixel on its edge keeps the share that lies outside."""
    least, most = sheet.pixels(centre - size / 2), sheet.pixels(centre + size / 2)
    first, last = np.floor(least).astype(int), np.ceil(most).astype(int)
    shares = []
    for axis in (0, 1):
        pixel = np.arange(first[axis], last[axis])
        share = np.minimum(pixel + 1, most[axis]) - np.maximum(pixel, least[axis])
        shares.append(np.clip(share, 0, 1))
    part = sheet.opaque[first[1] : last[1], first[0] : last[0]]
    part *= 1 - np.outer(shares[1], shares[0])


def _tear(sheet: Sheet, rng: Rng, centre: NDArray[np.float64]) -> None:
    """Tear one edge of a hole outwards, at most half the way to its neighbour."""
    canvas = sheet.canvas()
    way = rng.choice([-1, 1])
    half_x, half_y = HOLE[0] / 2, HOLE[1] / 2
    reach = float(rng.uniform(0.15, 0.4))
    ys = np.linspace(-half_y, half_y, 7)
    ragged = half_x + reach * np.abs(np.sin(np.linspace(0, np.pi, 7))) * rng.uniform(0.4, 1.0, 7)
    edge = np.stack([way * ragged, ys], axis=1)
    back = np.array([(0, half_y), (0, -half_y)])
    sheet.fill(canvas, centre + np.concatenate([edge, back]))
    sheet.take_away(canvas, None)


def _hang(sheet: Sheet, rng: Rng, centre: NDArray[np.float64]) -> None:
    """Leave a chad hanging by one short side; the less it is bent away, the more it hides."""
    shown = float(rng.uniform(0.2, 0.75))
    end = rng.choice([-1, 1])
    half_x, half_y = HOLE[0] / 2 - 0.04, HOLE[1] / 2
    lean = float(rng.normal(0, 0.15))
    far = end * (half_y - shown * HOLE[1])
    flap = centre + np.array(
        [
            (-half_x, end * half_y),
            (half_x, end * half_y),
            (half_x + lean, far),
            (-half_x + lean, far),
        ]
    )
    canvas = sheet.canvas()
    sheet.fill(canvas, flap)
    around = sheet.pixels(centre).astype(int)
    colour = sheet.albedo[around[1], around[0]] * rng.uniform(0.6, 0.95)
    red, green, blue = (float(part) for part in colour)
    sheet.lay_over(canvas, (red, green, blue), "chad")

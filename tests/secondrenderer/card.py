"""A card from its plan: paper, print, holes and marks on one sheet."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import marks
from .content import holes_of
from .geometry import COLUMNS, HEIGHT, HOLE, LENGTH, ROWS, column_centres, outline, row_centres
from .glyphs import write
from .noise import Rng, fibres, grain, octaves
from .punching import Punch, places, punch_out, seen
from .sheet import Sheet, blank_sheet
from .stock import Stock, print_face

INTERPRETED = ("none", "top", "second")
"""Where the printing punch wrote: nowhere, above row 12, between rows 12 and 11."""
_SAMPLES = 5
_USUAL = Punch()


@dataclass(frozen=True, slots=True)
class CardPlan:
    """All that is decided about a card before it is drawn."""

    stock: Stock
    text: str
    grade: str
    side: str = "front"
    interpreted: str = "top"
    punch: Punch = _USUAL
    age: float = 0.3
    """How uneven and yellow the paper is, from 0 to 1."""
    wear: float = 0.0
    """How ragged the edges are, in mm."""
    marks: tuple[str, ...] = ()
    lost_corner: str = ""
    """`torn`, `folded` or nothing."""


@dataclass(frozen=True, slots=True)
class Card:
    """A drawn card: its sheet, and where its places are on the side that is seen, in mm."""

    plan: CardPlan
    sheet: Sheet
    holes: NDArray[np.bool_]
    centres: NDArray[np.float64]

    def covered(self) -> NDArray[np.uint8]:
        """Return for each place what lies on it: 0, or the number of a cause of the sheet."""
        found = np.zeros((ROWS, COLUMNS), np.uint8)
        values = sample(self.sheet.cover, self.sheet.pixels(corners_within(self.centres)))
        for number in range(1, len(self.sheet.causes) + 1):
            found[(values == number).mean(axis=2) >= 0.35] = number
        return found


def corners_within(centres: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return points within each hole: rows, columns, points, x and y."""
    share = np.linspace(-0.42, 0.42, _SAMPLES)
    x, y = np.meshgrid(share * HOLE[0], share * HOLE[1])
    return centres[:, :, None, :] + np.stack([x.ravel(), y.ravel()], axis=1)


def sample(raster: NDArray[np.uint8], at: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return the values of a raster at positions in pixels; 0 outside of it."""
    x, y = np.floor(at[..., 0]).astype(int), np.floor(at[..., 1]).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < raster.shape[1]) & (y < raster.shape[0])
    values = raster[np.where(inside, y, 0), np.where(inside, x, 0)]
    return np.where(inside, values, 0).astype(np.uint8)


def draw_card(rng: Rng, plan: CardPlan, scale: float) -> Card:
    """Draw a card with `scale` pixels a mm."""
    sheet = blank_sheet(scale)
    _paper(sheet, rng, plan)
    holes = holes_of(plan.text)
    front = places(rng, plan.punch)
    centres = seen(front, plan.side)
    if plan.side == "front":
        print_face(sheet, plan.stock)
        _interpret(sheet, rng, plan)
    for name in plan.marks:
        if name in marks.SLIGHT:
            marks.SLIGHT[name](sheet, rng)
    punch_out(sheet, rng, centres, holes, plan.punch)
    for name in plan.marks:
        later = marks.STRONG | marks.HIDING
        if name in later:
            later[name](sheet, rng)
    if plan.lost_corner:
        _lose_corner(sheet, rng, plan)
    sheet.marks += plan.marks
    return Card(plan, sheet, holes, centres)


def _paper(sheet: Sheet, rng: Rng, plan: CardPlan) -> None:
    shape, scale = sheet.opaque.shape, sheet.scale
    edge = seen(outline(plan.stock.cut, rounded=plan.stock.rounded), plan.side)
    sheet.fill(sheet.footprint, edge)
    shown = sheet.footprint
    if plan.wear > 0:
        soft = cv2.GaussianBlur(sheet.footprint, (0, 0), 0.5 * scale).astype(np.float32) / 255
        # the middle of the card stays whole
        ragged = np.clip(octaves(rng, shape, 1.5 * scale), -1.8, 1.8)
        bitten = soft + 0.25 * plan.wear * ragged > 0.5
        shown = np.minimum(sheet.footprint, bitten.astype(np.uint8) * 255)
        shown = cv2.GaussianBlur(shown, (0, 0), 0.6)
    sheet.opaque[:] = shown.astype(np.float32) / 255
    cloud = octaves(rng, shape, 30 * scale, levels=5)
    texture = 1 + 0.012 * plan.age * cloud + 0.012 * octaves(rng, shape, 0.5 * scale + 1, levels=2)
    texture += 0.006 * grain(rng, shape) - 0.05 * fibres(rng, shape, scale, 2500, 2.0)
    yellow = np.array((0.02, 0.05, 0.11), np.float32) * plan.age
    tint = 1 - yellow * np.clip(1 + 0.6 * cloud, 0, 3)[..., None]
    sheet.albedo *= np.asarray(plan.stock.paper, np.float32) * texture[..., None] * tint


def _interpret(sheet: Sheet, rng: Rng, plan: CardPlan) -> None:
    if plan.interpreted == "none":
        return
    canvas = sheet.canvas()
    rows = row_centres()
    middle = rows[0] / 2 - 0.4 if plan.interpreted == "top" else (rows[0] + rows[1]) / 2
    size = np.array([float(rng.uniform(1.0, 1.35)), float(rng.uniform(1.9, 2.5))])
    drift = float(rng.normal(0, 0.15))
    for letter, x in zip(plan.text, column_centres(), strict=True):
        corner = np.array([x + drift, middle + rng.normal(0, 0.05)]) - size / 2
        left, top = sheet.pixels(corner)
        width, height = size * sheet.scale
        write(
            canvas, letter, left, top, (width, height), float(rng.uniform(0.22, 0.3)) * sheet.scale
        )
    worn = np.clip(0.85 + 0.15 * octaves(rng, canvas.shape, 6 * sheet.scale, levels=2), 0, 1)
    colour = (0.12, 0.1, 0.3) if rng.random() < 0.4 else (0.08, 0.08, 0.09)
    sheet.ink(canvas, colour, float(rng.uniform(0.4, 0.95)) * worn)


def _lose_corner(sheet: Sheet, rng: Rng, plan: CardPlan) -> None:
    right, low = rng.random() < 0.5, rng.random() < 0.6
    corner = np.array([LENGTH if right else 0.0, HEIGHT if low else 0.0])
    inward = np.array([-1 if right else 1, -1 if low else 1])
    along, down = float(rng.uniform(9, 32)), float(rng.uniform(8, 26))
    first, second = corner + inward * (along, 0), corner + inward * (0, down)
    share = np.linspace(0, 1, 15)[:, None]
    line = first + share * (second - first)
    missing = sheet.canvas()
    if plan.lost_corner == "torn":
        line[1:-1] += rng.normal(0, 0.5, (13, 2))
        sheet.fill(missing, np.concatenate([line, [corner - 2 * inward]]))
        sheet.take_away(missing, "torn off")
        sheet.marks.append("corner torn off")
        return
    way = (second - first) / np.hypot(*(second - first))
    flap = 2 * (first + np.dot(corner - first, way) * way) - corner
    over = sheet.canvas()
    sheet.fill(over, [first, second, flap])
    sheet.fill(missing, [first, corner - 2 * inward, second])
    red, green, blue = (0.93 * part for part in plan.stock.paper)
    shade = cv2.GaussianBlur(over, (0, 0), 0.8 * sheet.scale)
    sheet.ink(shade, (0.3, 0.3, 0.3), 0.5)
    sheet.lay_over(over, (red, green, blue), "fold", octaves(rng, over.shape, 3 * sheet.scale))
    sheet.take_away(missing, "fold")
    sheet.marks.append("corner folded")

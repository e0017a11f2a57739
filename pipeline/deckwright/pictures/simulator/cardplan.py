"""What is to be drawn: one card, its paper and backing, and all that befell it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import Cut
from deckwright.pictures.simulator.warp import Bend

Colour = tuple[int, int, int]
"""Red, green, blue, 0 to 255."""

MANILA: Colour = (236, 221, 184)


@dataclass(frozen=True, slots=True)
class Smear:
    """A soft blot on the paper: places and sizes in mm.

    Attributes:
        along: its middle, from the left edge.
        down: its middle, from the top edge.
        width: half its length along the card.
        height: half its length down the card.
        depth: how much light it takes, 0 to 1.
        colour: how much of that each of red, green, blue loses, 0 to 1.
    """

    along: float
    down: float
    width: float
    height: float
    depth: float
    colour: tuple[float, float, float]


@dataclass(slots=True)
class Orders:
    """One card to be drawn; the damages of `damage` change it before it goes to `paint`.

    Attributes:
        patterns: uint16 (80), the holes; row 12 is 0x800.
        text: the printed line, at most 80 characters; "" for none.
        paper: colour of the paper.
        backing: colour of what lies behind the card.
        cut: the corner that is cut off.
        radius: radius in mm of the other corners.
        ink: how dark the printed line is, 0 to 1.
        digits: how dark the digits are that stock carries at its hole places, 0 to 1.
        margin: backing to be seen around the card, in mm.
        skew: degrees.
        tilt: perspective, relative change of scale along and down the card.
        bend: departure from flat.
        turned: "", "upside down", "back to front" or "both".
        stray: float64 (12, 80, 2), how far off each hole is punched, in mm.
        slipped: how far off the whole card is punched, in mm.
        pencil: strokes of a pencil, each float64 (n, 2) in mm, with width in mm and darkness.
        smears: stains.
        tears: outlines in mm of paper that is gone.
        folds: straight lines (from, to) in mm; the corner outside is folded over the card.
        clipped: share of the picture cut off at left, top, right, bottom.
        shadow: how dark the card's shadow on the backing is, 0 to 1.
        shadow_reach: how far that shadow falls, in mm along and down.
        light: coefficients of uneven light: along, down, bulge.
        blur: standard deviation in mm.
        noise: standard deviation in levels of 255.
        grain: texture of the paper in levels of 255.
        quality: quality of JPEG, 1 to 100; 0 for none.
    """

    patterns: NDArray[np.uint16]
    text: str = ""
    paper: Colour = MANILA
    backing: Colour = (24, 24, 26)
    cut: Cut = "upper left"
    radius: float = 0.0
    ink: float = 0.75
    digits: float = 0.0
    margin: float = 6.0
    skew: float = 0.0
    tilt: tuple[float, float] = (0.0, 0.0)
    bend: Bend = field(default_factory=Bend)
    turned: str = ""
    stray: NDArray[np.float64] | None = None
    slipped: tuple[float, float] = (0.0, 0.0)
    pencil: list[tuple[NDArray[np.float64], float, float]] = field(default_factory=list)
    smears: list[Smear] = field(default_factory=list)
    tears: list[NDArray[np.float64]] = field(default_factory=list)
    folds: list[NDArray[np.float64]] = field(default_factory=list)
    clipped: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    shadow: float = 0.2
    shadow_reach: tuple[float, float] = (0.1, 0.12)
    light: tuple[float, float, float] = (0.0, 0.0, 0.0)
    blur: float = 0.03
    noise: float = 1.0
    grain: float = 1.5
    quality: int = 0

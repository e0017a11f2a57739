"""Draw a card as a picture: paper, holes that show the backing, printed line, pencil, stains."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

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
from deckwright.pictures.simulator import optics
from deckwright.pictures.simulator.cardplan import Colour, Orders, Smear
from deckwright.pictures.simulator.warp import Warp, dense, make_warp, moved

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]
Layer = NDArray[np.float32]

PRINT_TOP = 1.2
PRINT_HEIGHT = 2.4
_SUBPIXELS = 4  # polygons are drawn twice as large, their corners to 1/16 of a pixel there


def paint(orders: Orders, ppi: float, rng: np.random.Generator) -> Picture:
    """Return uint8 (height, width, 3), red green blue, the picture that the orders ask for."""
    warp, size = make_warp(ppi, orders.skew, orders.tilt, orders.bend, orders.margin, orders.turned)
    warp, size = _clip(warp, size, orders.clipped)
    cover = _cover(orders, warp, size)
    paper = _paper(orders, warp, size, ppi)
    behind = _behind(orders, cover, ppi)
    scene = behind + (paper - behind) * cover[..., None]
    return optics.expose(scene, cover, orders, ppi, rng)


def hole_outlines(orders: Orders) -> Floats:
    """Return float64 (n, 4, 2), the corners of every hole in mm, strayed and slipped."""
    places = centres() + np.array(orders.slipped)
    if orders.stray is not None:
        places = places + orders.stray
    middles = places[spread_rows(orders.patterns).T]
    half = np.array([HOLE_WIDTH, HOLE_HEIGHT]) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return np.asarray(middles[:, None, :] + corners)


def _clip(
    warp: Warp, size: tuple[int, int], clipped: tuple[float, float, float, float]
) -> tuple[Warp, tuple[int, int]]:
    left, top, right, bottom = clipped
    height, width = size
    first = (round(left * width), round(top * height))
    last = (round((1 - right) * width), round((1 - bottom) * height))
    return moved(warp, *first), (last[1] - first[1], last[0] - first[0])


def _cover(orders: Orders, warp: Warp, size: tuple[int, int]) -> Layer:
    """Return float32 (h, w), the share of each pixel that is paper."""
    mask = np.zeros((size[0] * 2, size[1] * 2), np.uint8)
    outline = dense(corner_points(orders.cut, orders.radius))
    _fill(mask, [warp(outline)], 255)
    holes = hole_outlines(orders)
    if len(holes):
        _fill(mask, list(warp(holes.reshape(-1, 2)).reshape(-1, 4, 2)), 0)
    _fill(mask, [warp(dense(tear)) for tear in orders.tears], 0)
    for fold in orders.folds:
        gone, flap = _folded(fold, corner_points(orders.cut, orders.radius))
        if len(flap):
            _fill(mask, [warp(gone)], 0)
            _fill(mask, [warp(flap)], 255)
    small = cv2.resize(mask, (size[1], size[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32) / np.float32(255)


def _folded(fold: Floats, outline: Floats) -> tuple[Floats, Floats]:
    """Return the corner that is gone and the flap that now lies on the card, in mm.

    Args:
        fold: float64 (2, 2), the line of the fold.
        outline: float64 (n, 2), the card before.
    """
    along = (fold[1] - fold[0]) / np.hypot(*(fold[1] - fold[0]))
    across = np.array([-along[1], along[0]])
    if (np.array([CARD_WIDTH, CARD_HEIGHT]) / 2 - fold[0]) @ across > 0:
        across = -across
    piece = _beyond(outline, fold[0], across)
    if not len(piece):
        return piece, piece
    flap = piece - 2 * ((piece - fold[0]) @ across)[:, None] * across
    rim = piece + np.sign(piece - piece.mean(axis=0)) * 0.5  # so that no edge of paper is left
    depth = (rim - fold[0]) @ across
    return rim - np.minimum(depth, 0)[:, None] * across, flap


def _beyond(outline: Floats, start: Floats, across: Floats) -> Floats:
    """Return the part of an outline on the far side of a line."""
    depth = (outline - start) @ across
    kept: list[Floats] = []
    for point, after, here, there in zip(
        outline, np.roll(outline, -1, axis=0), depth, np.roll(depth, -1), strict=True
    ):
        if here >= 0:
            kept.append(point)
        if (here >= 0) != (there >= 0):
            kept.append(point + (after - point) * here / (here - there))
    return np.array(kept).reshape(-1, 2)


def _fill(mask: Picture, outlines: Sequence[Floats], level: int) -> None:
    if outlines:
        points = [_fixed(outline) for outline in outlines]
        cv2.fillPoly(mask, points, [level], cv2.LINE_8, _SUBPIXELS)


def _fixed(outline: Floats) -> NDArray[np.int32]:
    """Return an outline in units of fillPoly, drawn in by half a pixel that fillPoly adds."""
    double = outline * 2 - 0.5
    middle = double.mean(axis=0)
    inward = double - 0.5 * np.sign(double - middle)
    return np.asarray(np.round(inward * (1 << _SUBPIXELS)), np.int32)


def _paper(orders: Orders, warp: Warp, size: tuple[int, int], ppi: float) -> Layer:
    """Return float32 (h, w, 3), the paper with all that is on it."""
    marks = np.zeros(size, np.uint8)
    lines = [*_printed(orders), *orders.pencil]
    if lines:
        ends = np.cumsum([len(points) for points, _, _ in lines])[:-1]
        placed = np.split(warp(np.concatenate([points for points, _, _ in lines])), ends)
        for points, (_, width, depth) in zip(placed, lines, strict=True):
            _draw(marks, points, width * ppi / INCH, depth)
    left = 1 - marks.astype(np.float32) / np.float32(255)
    paper = left[..., None] * np.array(orders.paper, np.float32)
    for smear in orders.smears:
        _stain(paper, smear, warp)
    for fold in orders.folds:
        flap = _folded(fold, corner_points(orders.cut, orders.radius))[1]
        if len(flap):
            _shade(paper, warp(flap))
    return paper


def _printed(orders: Orders) -> Iterator[tuple[Floats, float, float]]:
    """Return the strokes of the printed line, as pencil strokes are given."""
    if orders.turned in {"back to front", "both"}:
        return  # seen from behind
    size = np.array([COLUMN_PITCH * 0.62, PRINT_HEIGHT])
    for character, middle in zip(orders.text, column_centres(), strict=False):
        corner = np.array([middle - size[0] / 2, PRINT_TOP])
        for stroke in strokes(character):
            yield corner + stroke * size, 0.22, orders.ink
    if orders.digits:
        yield from _digits(orders.digits)


def _digits(ink: float) -> Iterator[tuple[Floats, float, float]]:
    """Return the strokes of a digit at each place of rows 0 to 9."""
    size = np.array([COLUMN_PITCH * 0.5, HOLE_HEIGHT * 0.6])
    for digit, places in enumerate(centres()[2:]):
        for stroke in strokes(str(digit)):
            for corner in places - size / 2:
                yield corner + stroke * size, 0.18, ink


def _draw(marks: Picture, points: Floats, width: float, depth: float) -> None:
    fixed = np.round((points - 0.5) * 16).astype(np.int32)
    thick = max(1, round(width))
    # a stroke thinner than a pixel takes less light
    level = round(255 * depth * min(1.0, width / thick))
    cv2.polylines(marks, [fixed], isClosed=False, color=[level], thickness=thick,
                  lineType=cv2.LINE_AA, shift=4)  # fmt: skip


def _stain(paper: Layer, smear: Smear, warp: Warp) -> None:
    """Darken a soft ellipse with a harder rim, as liquids leave."""
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.stack([np.cos(turns) * smear.width, np.sin(turns) * smear.height], axis=-1)
    outline = warp(ring + np.array([smear.along, smear.down]))
    left, top = np.maximum(outline.min(axis=0).astype(int), 0)
    right, bottom = outline.max(axis=0).astype(int) + 1
    patch = paper[top:bottom, left:right]
    if not patch.size:
        return
    mask = np.zeros(patch.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(outline - [left, top]).astype(np.int32)], [255])
    reach = max(1.0, min(mask.shape) / 12)
    soft = cv2.GaussianBlur(mask, (0, 0), reach).astype(np.float32) / np.float32(255)
    rim = np.float32(4) * soft * (1 - soft)
    loss = np.float32(smear.depth) * (np.float32(0.7) * soft + np.float32(0.3) * rim)
    patch *= 1 - loss[..., None] * np.array(smear.colour, np.float32)


def _shade(paper: Layer, outline: Floats) -> None:
    """Give a folded flap the shade of the back of the card and a dark crease."""
    mask = np.zeros(paper.shape[:2], np.uint8)
    points = np.round(outline).astype(np.int32)
    cv2.fillPoly(mask, [points], [255])
    paper[mask > 0] *= np.float32(0.93)
    cv2.polylines(paper, [points], isClosed=True, color=[90.0, 84.0, 72.0], thickness=2)


def _behind(orders: Orders, cover: Layer, ppi: float) -> Layer:
    """Return float32 (h, w, 3), the backing with the card's shadow on it."""
    backing: Colour = orders.backing
    shade = np.ones_like(cover)
    if orders.shadow > 0:
        reach = np.array(orders.shadow_reach) * ppi / INCH
        move = np.array([[1, 0, reach[0]], [0, 1, reach[1]]])
        fallen = cv2.warpAffine(cover, move, (cover.shape[1], cover.shape[0]))
        soft = cv2.GaussianBlur(fallen, (0, 0), max(0.5, float(np.hypot(*reach)) / 2))
        shade -= np.float32(orders.shadow) * np.asarray(soft, np.float32)
    return shade[..., None] * np.array(backing, np.float32)

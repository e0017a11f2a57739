"""Find the cards on a picture of a page: several cards side by side on one backing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.reader.curves import robust_field

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

PageOrder = Literal["rows", "columns"]
"""How cards on a page follow each other: row by row from the top, or column by column."""

_REDUCED_SIDE: Final = 1400  # pixels: on A3 a card is still 600 of them long
_LEAST_SIDE: Final = 66  # pixels: no card that could be read fits in less
_LEAST_PAGE: Final = 0.01  # share of the page: less than that is no card
_LEAST_OF_LARGEST: Final = 0.25  # a piece of a card; what is smaller is dirt or a label
_ALONE: Final = 0.4  # share of the picture from which a lone card is taken with the whole picture
_MARGIN: Final = 0.05  # of a card's length
_AROUND: Final = 0.004  # of it: rim of a piece that counts as its own, 0.75 mm


@dataclass(frozen=True, slots=True)
class Box:
    """A card's part of a picture, in pixels.

    Attributes:
        left, top, right, bottom: its edges; the last two exclusive.
        own: corners of the piece of paper meant, x and y in turn; empty where it has all.
        others: the same of the pieces that reach into it, which are not shown.
    """

    left: int
    top: int
    right: int
    bottom: int
    own: tuple[int, ...] = ()
    others: tuple[tuple[int, ...], ...] = ()

    def of(self, image: Picture) -> Picture:
        """Return that part of a picture, other pieces of paper painted over with backing."""
        part = image[self.top : self.bottom, self.left : self.right].copy()
        if not self.others:
            return part
        mask = np.zeros(part.shape[:2], np.uint8)
        for corners in self.others:
            cv2.fillPoly(mask, [self._inside(corners)], [1])
        cv2.fillPoly(mask, [self._inside(self.own)], [2])
        free = part[mask == 0]
        if len(free):
            part[mask == 1] = np.median(free, axis=0).astype(np.uint8)
        return part

    def numbers(self) -> tuple[int, ...]:
        """Return it as whole numbers, for `from_numbers`."""
        edges = (self.left, self.top, self.right, self.bottom)
        return (*edges, *self.own, *(one for corners in self.others for one in corners))

    @classmethod
    def from_numbers(cls, numbers: Sequence[int]) -> Box:
        """Return what `numbers` told."""
        left, top, right, bottom, *corners = numbers
        own, *others = [tuple(corners[at : at + 8]) for at in range(0, len(corners), 8)] or [()]
        return cls(left, top, right, bottom, own, tuple(others))

    def _inside(self, corners: tuple[int, ...]) -> NDArray[np.int32]:
        origin = np.array([self.left, self.top], np.int32)
        return np.asarray(np.array(corners, np.int32).reshape(-1, 2) - origin, np.int32)


def cards_on_page(image: Picture, order: PageOrder = "rows") -> list[Box]:
    """Return a box for each piece of paper on a page, with some backing around it.

    Everything of the size of a quarter of the largest piece counts, so that a torn card is not
    passed over; cards that touch each other are one piece. A lone card that fills much of the
    picture gives the whole picture. Empty if nothing stands out from the backing.

    Args:
        image: uint8 (h, w) or (h, w, 3).
        order: in which the boxes are given.
    """
    height, width = image.shape[:2]
    if min(height, width) < _LEAST_SIDE:
        return []
    factor = max(1, round(max(height, width) / _REDUCED_SIDE))
    pieces = _pieces(_standing_out(_small(image, factor)))
    if not pieces:
        return []
    quads = [_quad(piece, factor) for piece in pieces]
    edges = np.array([[*quad.min(axis=0), *quad.max(axis=0)] for quad in quads])
    if len(pieces) == 1 and np.prod(edges[0, 2:] - edges[0, :2]) > _ALONE * height * width:
        return [Box(0, 0, width, height)]
    length = max(max(cv2.minAreaRect(piece)[1]) for piece in pieces) * factor
    limit = np.array([width, height, width, height], np.float64)
    grown = np.clip(np.round(edges + _MARGIN * length * np.array([-1, -1, 1, 1])), 0, limit)
    wide = [_wider(quad, _AROUND * length) for quad in quads]
    return [_box(grown, wide, place) for place in _ordered(edges, order)]


def _quad(piece: NDArray[np.int32], factor: int) -> Floats:
    """Return the corners (4, 2) of the least rectangle about a piece, in pixels of the picture."""
    return np.asarray(cv2.boxPoints(cv2.minAreaRect(piece)), np.float64) * factor + factor / 2


def _wider(quad: Floats, by: float) -> Floats:
    """Return corners moved away from their middle along both sides."""
    sides = np.roll(quad, -1, axis=0) - quad
    units = sides / np.maximum(1e-9, np.hypot(sides[:, 0], sides[:, 1]))[:, None]
    return np.asarray(quad + by * (np.roll(units, 1, axis=0) - units))


def _box(grown: Floats, wide: list[Floats], place: int) -> Box:
    left, top, right, bottom = grown[place]
    others = tuple(
        _whole_numbers(quad)
        for other, quad in enumerate(wide)
        if other != place
        and (quad.max(axis=0) > [left, top]).all()
        and (quad.min(axis=0) < [right, bottom]).all()
    )
    own = _whole_numbers(wide[place]) if others else ()
    return Box(int(left), int(top), int(right), int(bottom), own, others)


def _whole_numbers(quad: Floats) -> tuple[int, ...]:
    return tuple(round(value) for value in quad.ravel().tolist())


def _small(image: Picture, factor: int) -> Picture:
    size = (image.shape[1] // factor, image.shape[0] // factor)
    trimmed = image[: size[1] * factor, : size[0] * factor]
    small = cv2.resize(trimmed, size, interpolation=cv2.INTER_AREA) if factor > 1 else image
    colour = cv2.cvtColor(small, cv2.COLOR_GRAY2BGR) if small.ndim == 2 else small  # noqa: PLR2004
    return np.asarray(colour, np.uint8)


def _standing_out(small: Picture) -> Picture:
    """Return uint8 (h, w), 255 where the picture differs from the backing at its rim."""
    light = np.log(small.astype(np.float32) + np.float32(16))
    height, width = light.shape[:2]
    rim = np.ones((height, width), np.bool_)
    deep = max(2, min(height, width) // 60)
    rim[deep:-deep, deep:-deep] = False
    field, spread = robust_field(light, rim)
    apart = np.abs(light - field).max(axis=2)
    # light differs by less than 2 e-fold steps; finer than 1/255 of that is noise
    scaled = np.asarray(np.clip(apart * np.float32(127), 0, 255), np.uint8)
    level, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    # holes and print pull the middle up; a card is paper from a third of the step on
    least = max(0.06, 5 * float(np.sqrt(np.diag(spread).max())))
    mask = (apart > max(least, float(level) / 127 * 0.7)).astype(np.uint8) * np.uint8(255)
    return np.asarray(cv2.medianBlur(mask, 3), np.uint8)


def _pieces(mask: Picture) -> list[NDArray[np.int32]]:
    """Return the outer contours of what is large enough to be a card or most of one."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    sized = [(cv2.contourArea(contour), contour) for contour in contours]
    largest = max((area for area, _ in sized), default=0.0)
    least = max(_LEAST_PAGE * mask.size, _LEAST_OF_LARGEST * largest)
    return [np.asarray(contour, np.int32) for area, contour in sized if area >= least]


def _ordered(edges: Floats, order: PageOrder) -> list[int]:
    """Return the places of boxes (n, 4) row by row, or column by column."""
    across = 1 if order == "rows" else 0
    middles = (edges[:, :2] + edges[:, 2:]) / 2
    half = float(np.median(edges[:, across + 2] - edges[:, across])) / 2
    lines: list[list[int]] = []
    start = -np.inf
    for place in np.argsort(middles[:, across], kind="stable").tolist():
        if middles[place, across] - start > half:
            lines.append([])
            start = float(middles[place, across])
        lines[-1].append(place)
    return [
        place
        for line in lines
        for place in sorted(line, key=lambda at: float(middles[at, 1 - across]))
    ]

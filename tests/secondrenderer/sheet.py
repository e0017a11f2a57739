"""One card seen from one side, flat, as a raster: what of it is paper, and how it reflects light.

A sheet has the coordinates of the side that is seen: x from its left edge, y from its top edge, in
mm. `SPARE` mm of nothing lie around it, so that torn edges and marks may go beyond the outline.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import geometry
from .glyphs import Mask
from .noise import Field

SPARE = 3.0

Colour = tuple[float, float, float]
"""Reflectance for red, green and blue, from 0 to 1, in linear light."""


@dataclass(slots=True)
class Sheet:
    """A raster of a card: `scale` pixels a mm."""

    scale: float
    albedo: NDArray[np.float32]
    """Rows by columns by 3."""
    opaque: Field
    """1 where paper is, 0 in holes and beside the card."""
    footprint: Mask
    """255 within the outline, holes or not, and where paper is missing."""
    cover: Mask
    """0, or which of `causes`, counted from 1, hides the card there."""
    causes: list[str] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)

    def pixels(self, points: ArrayLike) -> NDArray[np.float64]:
        """Return points in mm as positions in pixels from the corner of the raster."""
        return (np.asarray(points, float) + SPARE) * self.scale

    def canvas(self) -> Mask:
        """Return an empty mask of the size of the raster."""
        return np.zeros(self.opaque.shape, np.uint8)

    def fill(self, canvas: Mask, points: ArrayLike, value: int = 255) -> None:
        """Fill a polygon given in mm."""
        fixed = np.round(self.pixels(points) * 64 - 32).astype(np.int32)
        cv2.fillPoly(canvas, [fixed], value, cv2.LINE_AA, 6)

    def lines(
        self, canvas: Mask, lines: list[NDArray[np.float64]], width: float, value: int = 255
    ) -> None:
        """Draw lines given in mm with a pen of `width` mm."""
        fixed = [np.round(self.pixels(line) * 64 - 32).astype(np.int32) for line in lines]
        thick = max(1, round(width * self.scale))
        cv2.polylines(
            canvas,
            fixed,
            isClosed=False,
            color=value,
            thickness=thick,
            lineType=cv2.LINE_AA,
            shift=6,
        )

    def ink(self, mask: NDArray[np.generic], colour: Colour, strength: float | Field = 1.0) -> None:
        """Lay ink on the paper where a mask is; ink takes light away, more with `strength`."""
        box = cv2.boundingRect((np.asarray(mask) > 0).astype(np.uint8))
        if box[2] == 0:
            return
        part = np.s_[box[1] : box[1] + box[3], box[0] : box[0] + box[2]]
        share = np.asarray(mask[part], np.float32)
        if mask.dtype == np.uint8:
            share = share / 255
        share = share * (
            strength[part] if isinstance(strength, np.ndarray) else np.float32(strength)
        )
        share = np.clip(share, 0, 1)[..., None]
        self.albedo[part] *= 1 - share * (1 - np.asarray(colour, np.float32))

    def lay_over(
        self, mask: Mask, colour: Colour, cause: str, texture: Field | None = None
    ) -> None:
        """Lay an opaque thing on the card; what is below is hidden, and `cause` says by what."""
        share = mask.astype(np.float32)[..., None] / 255
        paint = np.asarray(colour, np.float32) * (
            1.0 if texture is None else (1 + 0.06 * texture)[..., None]
        )
        self.albedo += share * (paint - self.albedo)
        np.maximum(self.opaque, share[..., 0], out=self.opaque)
        self.hide(mask, cause)

    def take_away(self, mask: Mask, cause: str | None) -> None:
        """Take paper away; with a cause, what was there is hidden by it."""
        self.opaque *= 1 - mask.astype(np.float32) / 255
        if cause is not None:
            self.hide(mask, cause)

    def hide(self, mask: Mask, cause: str) -> None:
        """Say that a thing hides the card where a mask is."""
        if cause not in self.causes:
            self.causes.append(cause)
        self.cover[mask > 127] = self.causes.index(cause) + 1


def blank_sheet(scale: float) -> Sheet:
    """Return a raster for a card with no paper in it yet."""
    shape = (
        int(np.ceil((geometry.HEIGHT + 2 * SPARE) * scale)),
        int(np.ceil((geometry.LENGTH + 2 * SPARE) * scale)),
    )
    return Sheet(
        scale=scale,
        albedo=np.ones((*shape, 3), np.float32),
        opaque=np.zeros(shape, np.float32),
        footprint=np.zeros(shape, np.uint8),
        cover=np.zeros(shape, np.uint8),
    )

"""What light, lens, sensor and file do to a picture: uneven light, blur, noise, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import INCH
from deckwright.pictures.simulator.cardplan import Orders

Layer = NDArray[np.float32]
Picture = NDArray[np.uint8]

_TILE = 512


def expose(
    scene: Layer, cover: Layer, orders: Orders, ppi: float, rng: np.random.Generator
) -> Picture:
    """Return uint8 (h, w, 3), red green blue, of a scene in float32 levels.

    Args:
        scene: float32 (h, w, 3), changed in place.
        cover: float32 (h, w), where there is paper: it alone has grain.
        orders: light, blur, noise, grain and quality are taken from here.
        ppi: pixels per inch.
        rng: source of chance.
    """
    if any(orders.light):
        scene *= light_field(cover.shape, orders.light)[..., None]
    if orders.grain > 0:
        scene += (tiled(rng, cover.shape, orders.grain, 0.12 * ppi / INCH) * cover)[..., None]
    picture = scene
    if orders.blur > 0:
        picture = np.asarray(cv2.GaussianBlur(scene, (0, 0), orders.blur * ppi / INCH), np.float32)
    if orders.noise > 0:
        for channel in range(3):
            picture[..., channel] += tiled(rng, cover.shape, orders.noise, 0)
    levels = np.asarray(cv2.convertScaleAbs(np.maximum(picture, 0)), np.uint8)
    return jpeg(levels, orders.quality) if orders.quality else levels


def light_field(size: tuple[int, ...], light: tuple[float, float, float]) -> Layer:
    """Return float32 (h, w) about 1: a slope along, a slope down and a bulge in the middle."""
    down, along = (np.linspace(-1, 1, count, dtype=np.float32) for count in size)
    slope = np.float32(light[0]) * along[None, :] + np.float32(light[1]) * down[:, None]
    bulge = np.float32(light[2]) * (along[None, :] ** 2 + down[:, None] ** 2 - 1) / 2
    return np.asarray(np.maximum(1 + slope - bulge, np.float32(0.05)), np.float32)


def tiled(rng: np.random.Generator, size: tuple[int, ...], sigma: float, reach: float) -> Layer:
    """Return float32 (h, w) of chance of this standard deviation, soft over `reach` pixels."""
    tile = rng.standard_normal((_TILE, _TILE), np.float32) * np.float32(sigma)
    if reach > 0.3:  # noqa: PLR2004 - less than that changes nothing
        soft = np.asarray(cv2.GaussianBlur(tile, (0, 0), reach), np.float32)
        tile = soft * np.float32(sigma / max(float(soft.std()), 1e-6))
    rows = np.arange(size[0]) % _TILE
    repeat = -(-size[1] // _TILE)
    return np.tile(tile, (1, repeat))[rows, : size[1]]


def jpeg(picture: Picture, quality: int) -> Picture:
    """Return a picture written as JPEG and read again."""
    _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)
    if back is None:  # pragma: no cover - what was just written can be read
        raise ValueError(quality)
    return np.ascontiguousarray(back[..., ::-1], np.uint8)

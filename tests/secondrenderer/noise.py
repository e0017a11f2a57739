"""Textures made of noise: several octaves of it, drawn out along one direction, and fibres."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
Rng = np.random.Generator


def octaves(
    rng: Rng,
    shape: tuple[int, int],
    cell: float,
    *,
    levels: int = 4,
    keep: float = 0.55,
    drawn_out: float = 1.0,
) -> Field:
    """Return noise of mean 0 and deviation 1 whose coarsest grain is `cell` pixels.

    Each level is half as coarse and `keep` as strong as the one before. With `drawn_out` the grain
    is that many times longer along x.
    """
    total = np.zeros(shape, np.float32)
    strength = 1.0
    for _ in range(levels):
        if cell < 1.0:
            break
        rows = int(shape[0] / cell) + 3
        columns = int(shape[1] / (cell * drawn_out)) + 3
        grid = rng.standard_normal((rows, columns), dtype=np.float32)
        total += strength * cv2.resize(grid, shape[::-1], interpolation=cv2.INTER_CUBIC)
        strength *= keep
        cell /= 2
    deviation = float(total.std())
    return (total - float(total.mean())) / max(deviation, 1e-6)


def grain(rng: Rng, shape: tuple[int, int]) -> Field:
    """Return noise of deviation 1, each pixel on its own."""
    return rng.standard_normal(shape, dtype=np.float32)


def fibres(rng: Rng, shape: tuple[int, int], scale: float, number: int, length: float) -> Field:
    """Return fibres as a field from 0 to 1; `length` in mm, `scale` in pixels a mm."""
    canvas = np.zeros(shape, np.uint8)
    start = rng.random((number, 1, 2)) * (shape[1], shape[0])
    turn = rng.random((number, 1)) * 2 * np.pi
    bend = rng.normal(0, 0.6, (number, 1)) * np.linspace(-1, 1, 4)
    step = length * scale * rng.uniform(0.3, 1.0, (number, 1)) / 4
    steps = np.stack([np.cos(turn + bend) * step, np.sin(turn + bend) * step], axis=2)
    lines = np.concatenate([start, start + np.cumsum(steps, axis=1)], axis=1)
    fixed = (lines * 8).astype(np.int32)
    cv2.polylines(
        canvas, list(fixed), isClosed=False, color=255, thickness=1, lineType=cv2.LINE_AA, shift=3
    )
    return canvas.astype(np.float32) / 255

"""From the table to the picture: a flatbed that sees straight down, and a lens over the table.

Points of the table are in mm, x to the right, y towards the viewer, z up. Positions in the picture
are in pixels from its upper left corner, so that the first pixel reaches from 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Positions = NDArray[np.float64]


class Camera(Protocol):
    """What maps points in space to positions in a picture, and back to a height."""

    middle: tuple[float, float]

    def project(self, points: Positions) -> Positions:
        """Return positions of points whose last axis is x, y, z."""

    def meet(self, positions: Positions, height: NDArray[np.float64] | float) -> Positions:
        """Return x and y where the rays through positions come to a height."""

    def centred(self, middle: tuple[float, float], reach: float) -> Camera:
        """Return the same with its middle at a position and half a diagonal of `reach` pixels."""


@dataclass(frozen=True)
class Flatbed:
    """A scanner: parallel rays, a scale of its own along each axis, a little shear."""

    scale: float
    stretch: float = 0.0
    shear: float = 0.0
    middle: tuple[float, float] = (0.0, 0.0)

    def _matrix(self) -> NDArray[np.float64]:
        return self.scale * np.array([[1.0, self.shear], [0.0, 1 + self.stretch]])

    def project(self, points: Positions) -> Positions:
        return points[..., :2] @ self._matrix().T + self.middle

    def meet(self, positions: Positions, height: NDArray[np.float64] | float) -> Positions:
        return (positions - self.middle) @ np.linalg.inv(self._matrix()).T

    def centred(self, middle: tuple[float, float], reach: float) -> Flatbed:
        return replace(self, middle=middle)


@dataclass(frozen=True)
class Lens:
    """A pinhole at some distance, tilted by two angles, with a lens that bends lines by `bend`."""

    scale: float
    distance: float
    tilt: tuple[float, float]
    bend: float = 0.0
    middle: tuple[float, float] = (0.0, 0.0)
    reach: float = 1.0

    def _turn(self) -> NDArray[np.float64]:
        """Return the matrix from the table to the camera's own axes."""
        a, b = self.tilt
        around_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
        around_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
        return around_x @ around_y

    def project(self, points: Positions) -> Positions:
        own = points @ self._turn().T
        depth = self.distance - own[..., 2:]
        flat = own[..., :2] / depth * self.scale * self.distance
        radius = (flat**2).sum(axis=-1, keepdims=True) / self.reach**2
        return flat * (1 + self.bend * radius) + self.middle

    def meet(self, positions: Positions, height: NDArray[np.float64] | float) -> Positions:
        bent = positions - self.middle
        flat = bent
        for _ in range(8):
            radius = (flat**2).sum(axis=-1, keepdims=True) / self.reach**2
            flat = bent / (1 + self.bend * radius)
        slope = flat / (self.scale * self.distance)
        turn = self._turn()
        ray = np.concatenate([slope, -np.ones((*slope.shape[:-1], 1))], axis=-1)
        up = ray @ turn[:, 2]
        depth = (np.asarray(height) - turn[2, 2] * self.distance) / up
        own = ray * depth[..., None] + (0, 0, self.distance)
        return (own @ turn)[..., :2]

    def centred(self, middle: tuple[float, float], reach: float) -> Lens:
        return replace(self, middle=middle, reach=reach)


@dataclass(frozen=True, slots=True)
class Pose:
    """How a card lies on the table: its middle, its turn, its height, and how it is bent.

    A bent card is higher in the middle (or at the ends) along its length, its height, or both; the
    way along the paper is longer than the way along the table.
    """

    middle: tuple[float, float]
    turned: float
    """Degrees clockwise."""
    size: tuple[float, float]
    above: float = 0.05
    arch: tuple[float, float] = (0.0, 0.0)
    """Height of the arch along each axis in mm; below 0 the ends stand up."""
    curl: float = 0.0
    """How far one end curls up, in mm."""

    def _rise(self, axis: int, along: NDArray[np.float64]) -> NDArray[np.float64]:
        share = np.clip(along / self.size[axis], 0, 1)
        arch = self.arch[axis]
        rise = arch * 4 * share * (1 - share) if arch >= 0 else -arch * (2 * share - 1) ** 2
        if axis == 0:
            rise = rise + self.curl * np.clip((share - 0.6) / 0.4, 0, 1) ** 2
        return rise

    def _ways(self, axis: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return ways along the paper and, for each, the way along the table."""
        along = np.linspace(0, self.size[axis], 400)
        slope = np.gradient(self._rise(axis, along), along)
        step = np.sqrt(np.clip(1 - slope**2, 0.05, 1))
        table = np.concatenate([[0.0], np.cumsum((step[1:] + step[:-1]) / 2 * np.diff(along))])
        # the middle stays where it is
        return along, table + (self.size[axis] - table[-1]) / 2

    def height(self, paper: Positions) -> NDArray[np.float64]:
        """Return how high points of the paper are above the table."""
        return self.above + self._rise(0, paper[..., 0]) + self._rise(1, paper[..., 1])

    def slopes(self, paper: Positions) -> NDArray[np.float64]:
        """Return how steeply the paper rises along each of its axes."""
        step = 0.5
        parts = [
            (self._rise(axis, paper[..., axis] + step) - self._rise(axis, paper[..., axis] - step))
            / (2 * step)
            for axis in (0, 1)
        ]
        return np.stack(parts, axis=-1)

    def turn(self) -> NDArray[np.float64]:
        """Return the matrix from the paper's axes to those of the table."""
        angle = np.radians(self.turned)
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def on_table(self, paper: Positions) -> Positions:
        """Return points in space for points of the paper in mm."""
        flat = np.stack([_through(paper[..., axis], *self._ways(axis)) for axis in (0, 1)], axis=-1)
        spot = (flat - np.array(self.size) / 2) @ self.turn().T + self.middle
        return np.concatenate([spot, self.height(paper)[..., None]], axis=-1)

    def on_paper(self, table: Positions) -> Positions:
        """Return points of the paper that are above points of the table."""
        flat = (table - self.middle) @ self.turn() + np.array(self.size) / 2
        return np.stack(
            [_through(flat[..., axis], *self._ways(axis)[::-1]) for axis in (0, 1)], axis=-1
        )

    def seen_at(self, camera: Camera, positions: Positions, lower: float = 0.0) -> Positions:
        """Return points of the paper that a camera sees at positions; `lower` mm below its face."""
        height: NDArray[np.float64] = np.full(positions.shape[:-1], self.above - lower)
        paper = self.on_paper(camera.meet(positions, height))
        if any(self.arch) or self.curl:
            for _ in range(6):
                height = self.height(paper) - lower
                paper = self.on_paper(camera.meet(positions, height))
        return paper


def _through(
    values: NDArray[np.float64], first: NDArray[np.float64], second: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Map values from one way to another; beyond its ends, a mm is a mm."""
    inside = np.interp(values, first, second)
    return inside + np.minimum(values - first[0], 0) + np.maximum(values - first[-1], 0)

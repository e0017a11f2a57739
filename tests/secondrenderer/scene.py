"""Cards on a table under a light, as a camera sees them: paper, openings, shadows, things above."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera import Camera, Pose, Positions
from .card import Card, corners_within, sample
from .geometry import THICKNESS
from .noise import Field, Rng
from .sheet import SPARE

STEP = 16
"""Pixels between places where a ray is followed; between them it is interpolated."""
ABOVE = 250
"""The owner of pixels that show a thing above the cards."""


@dataclass(frozen=True, slots=True)
class Light:
    """Where light comes from and how it is spread."""

    across: tuple[float, float] = (0.0, -0.6)
    """How far what casts a shadow is from it along x and y of the table, for a mm of height."""
    ambient: float = 0.3
    """Share of the light that comes from everywhere."""
    soft: float = 0.3
    """Width of the half shadow for a mm of height, in mm."""
    slope: tuple[float, float] = (0.0, 0.0)
    """Change of the light from one side of the picture to the other, along x and y."""
    corners: float = 0.0
    """How much darker the corners are."""
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shadows: tuple[tuple[float, float, float], ...] = ()
    """Shadows of things beside the picture: how dark, how soft in mm, and the seed of the shape."""
    front: float = 1.0
    """Light that falls on the face; less on a light table."""


@dataclass(slots=True)
class Scene:
    """A picture in the making, in linear light."""

    image: NDArray[np.float32]
    owner: NDArray[np.uint8]
    """Which card each pixel shows, counted from 1, holes included."""
    camera: Camera
    light: Light
    scale: float
    laid: list[tuple[Card, Pose]] = field(default_factory=list)

    @property
    def size(self) -> tuple[int, int]:
        """Return width and height in pixels."""
        return self.owner.shape[1], self.owner.shape[0]

    def seat(self, card: int, paper: Positions) -> Positions:
        """Return positions in the picture of points on a card."""
        return self.camera.project(self.laid[card][1].on_table(paper))

    def hidden(self, card: int) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
        """Return which places of a card, as they lie on its seen side, are hidden, and by what."""
        drawn = self.laid[card][0]
        covered = drawn.covered()
        causes = {drawn.sheet.causes[number - 1] for number in np.unique(covered) if number}
        at = self.seat(card, corners_within(drawn.centres))
        owners = sample(self.owner, at)
        width, height = self.size
        beyond = ((at < 0) | (at >= (width, height))).any(axis=-1)
        by_thing = (owners == ABOVE).mean(axis=2) >= 0.35
        by_card = ((owners != ABOVE) & (owners != card + 1) & ~beyond).mean(axis=2) >= 0.35
        by_frame = beyond.mean(axis=2) >= 0.35
        for mask, cause in (
            (by_thing, "finger"),
            (by_card, "another card"),
            (by_frame, "picture's edge"),
        ):
            if mask.any():
                causes.add(cause)
        return (covered > 0) | by_thing | by_card | by_frame, tuple(sorted(causes))


def spread(
    function: Callable[[Positions], NDArray[np.float64]], box: tuple[int, int, int, int]
) -> NDArray[np.float32]:
    """Return a smooth function of positions at all pixels of a box: left, top, width, height."""
    left, top, width, height = box
    columns, rows = -(-width // STEP) + 2, -(-height // STEP) + 2
    x = left + (np.arange(columns) - 0.5) * STEP
    y = top + (np.arange(rows) - 0.5) * STEP
    coarse = function(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)
    fine = cv2.resize(coarse, (columns * STEP, rows * STEP), interpolation=cv2.INTER_LINEAR)
    return fine[STEP : STEP + height, STEP : STEP + width]


def lay(scene: Scene, card: Card, pose: Pose) -> None:
    """Lay a card on what is there: its shadow first, then its paper."""
    scene.laid.append((card, pose))
    box = _box(scene, pose)
    if box[2] <= 0 or box[3] <= 0:
        return
    part = np.s_[box[1] : box[1] + box[3], box[0] : box[0] + box[2]]
    below = scene.image[part]
    below *= 1 - _shadow(scene, card, pose, box)[..., None]
    face = spread(lambda at: pose.seen_at(scene.camera, at), box)
    opaque = _look(card, card.sheet.opaque, face)
    paper = _look(card, card.sheet.albedo, face, cv2.BORDER_REPLICATE)
    paper *= (scene.light.front * _shade(scene, pose, box))[..., None]
    across = np.asarray(scene.light.across) @ pose.turn()
    way = across / max(float(np.hypot(*across)), 1e-6) * THICKNESS / 2
    rim = _look(card, card.sheet.opaque, face + way.astype(np.float32))
    rim -= _look(card, card.sheet.opaque, face - way.astype(np.float32))
    paper *= (1 - 0.15 * rim)[..., None]
    wall = _wall(scene, card, pose, box, opaque)
    if wall is not None:
        below += wall[..., None] * (0.5 * np.asarray(card.plan.stock.paper, np.float32) - below)
    below += opaque[..., None] * (paper - below)
    inside = _look(card, card.sheet.footprint, face) > 127
    scene.owner[part][inside] = len(scene.laid)


def _box(scene: Scene, pose: Pose) -> tuple[int, int, int, int]:
    length, height = pose.size
    edge = np.linspace(-SPARE, 1, 2)
    x = np.array([-SPARE, length / 2, length + SPARE])
    y = np.array([-SPARE, height / 2, height + SPARE])
    at = scene.camera.project(pose.on_table(np.stack(np.meshgrid(x, y), axis=-1))).reshape(-1, 2)
    reach = (2 + 8 * len(edge)) * scene.scale / 4
    width, tall = scene.size
    low = np.clip(np.floor(at.min(axis=0) - reach), 0, (width, tall)).astype(int)
    high = np.clip(np.ceil(at.max(axis=0) + reach), 0, (width, tall)).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _look(
    card: Card,
    raster: NDArray[np.generic],
    paper: NDArray[np.float32],
    border: int = cv2.BORDER_CONSTANT,
) -> NDArray[np.float32]:
    """Return a raster of the sheet at points of the paper in mm."""
    at = (paper + np.float32(SPARE)) * np.float32(card.sheet.scale) - np.float32(0.5)
    return cv2.remap(raster, at, None, cv2.INTER_LINEAR, borderMode=border)


def _shade(scene: Scene, pose: Pose, box: tuple[int, int, int, int]) -> Field:
    across = np.asarray(scene.light.across) @ pose.turn()

    def shade(at: Positions) -> NDArray[np.float64]:
        slopes = pose.slopes(pose.seen_at(scene.camera, at))
        direct = np.clip((1 - slopes @ across) / np.sqrt(1 + (slopes**2).sum(axis=-1)), 0.1, 2)
        return scene.light.ambient + (1 - scene.light.ambient) * direct

    return spread(shade, box)


def _shadow(scene: Scene, card: Card, pose: Pose, box: tuple[int, int, int, int]) -> Field:
    heights = []

    def caster(at: Positions) -> NDArray[np.float64]:
        spot = scene.camera.meet(at, 0.0)
        height = pose.height(pose.on_paper(spot))
        heights.append(float(height.mean()))
        return pose.on_paper(spot + height[..., None] * scene.light.across)

    dark = _look(card, card.sheet.opaque, spread(caster, box))
    blur = scene.light.soft * heights[0] * scene.scale
    if blur > 0.3:
        dark = cv2.GaussianBlur(dark, (0, 0), min(blur, 40))
    return dark * np.float32(1 - scene.light.ambient)


def _wall(
    scene: Scene, card: Card, pose: Pose, box: tuple[int, int, int, int], opaque: Field
) -> Field | None:
    """Return the share of pixels that shows the side of a hole; None where rays fall straight."""
    middle = np.array([[scene.camera.middle]])
    low = pose.seen_at(scene.camera, middle, THICKNESS)
    high = pose.seen_at(scene.camera, middle)
    corner = np.zeros((1, 1, 2))
    moved = max(
        float(np.abs(low - high).max()),
        float(
            np.abs(
                pose.seen_at(scene.camera, corner, THICKNESS) - pose.seen_at(scene.camera, corner)
            ).max()
        ),
    )
    if moved * scene.scale < 0.12:
        return None
    deep = spread(lambda at: pose.seen_at(scene.camera, at, THICKNESS), box)
    return np.clip(_look(card, card.sheet.opaque, deep) - opaque, 0, 1)


def light_up(scene: Scene) -> None:
    """Let the light fall unevenly on all that is there, and the corners darken."""
    light = scene.light
    width, height = scene.size
    reach = float(np.hypot(width, height)) / 2

    def level(at: Positions) -> NDArray[np.float64]:
        x, y = at[..., 0] / width - 0.5, at[..., 1] / height - 0.5
        radius = ((at - (width / 2, height / 2)) ** 2).sum(axis=-1) / reach**2
        return np.clip(1 + light.slope[0] * x + light.slope[1] * y, 0.1, 3) * (
            1 - light.corners * radius
        )

    field = spread(level, (0, 0, width, height))
    for dark, soft, seed in light.shadows:
        field = field * (1 - dark * _cast(np.random.default_rng(int(seed)), scene, soft))
    scene.image *= field[..., None] * np.asarray(light.tint, np.float32)


def _cast(rng: Rng, scene: Scene, soft: float) -> Field:
    """Return the shadow of something beside the picture: a straight edge, or a broad band."""
    width, height = scene.size
    small = max(1.0, soft * scene.scale / 4)
    shape = (int(height / small) + 8, int(width / small) + 8)
    mask = np.zeros(shape, np.uint8)
    turn = float(rng.uniform(0, 2 * np.pi))
    way = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-way[1], way[0]])
    middle = np.array([shape[1], shape[0]]) / 2
    start = middle + way * rng.uniform(-0.15, 0.3) * shape[1]
    far = 3 * max(shape)
    wide = far if rng.random() < 0.5 else float(rng.uniform(0.12, 0.4)) * shape[1]
    corners = [
        start + side * wide,
        start - side * wide,
        start - side * wide + way * far,
        start + side * wide + way * far,
    ]
    cv2.fillPoly(mask, [np.round(np.array(corners) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    blurred = cv2.GaussianBlur(mask, (0, 0), 4 if small > 1 else max(0.8, soft * scene.scale))
    fine = cv2.resize(
        blurred, (int(shape[1] * small), int(shape[0] * small)), interpolation=cv2.INTER_CUBIC
    )
    return fine[:height, :width].astype(np.float32) / 255


def put_finger(rng: Rng, scene: Scene, tip: Positions, way: float) -> None:
    """Lay a finger over a point of the table; it comes from where `way`, in radians, points to."""
    skin = np.array(
        [(0.62, 0.36, 0.26), (0.45, 0.25, 0.16), (0.18, 0.09, 0.055), (0.7, 0.45, 0.36)][
            int(rng.integers(4))
        ]
    )
    radius = float(rng.uniform(6.5, 9.5)) * scene.scale
    at = scene.camera.project(np.array([tip[0], tip[1], 6.0]))
    along = np.array([np.cos(way), np.sin(way)])
    width, height = scene.size
    y, x = np.mgrid[:height, :width].astype(np.float32)
    x, y = x - np.float32(at[0]), y - np.float32(at[1])
    forth = x * np.float32(along[0]) + y * np.float32(along[1])
    aside = y * np.float32(along[0]) - x * np.float32(along[1])
    swell = 1 + 0.07 * np.cos(forth / (2.2 * radius))
    away = np.sqrt(np.minimum(forth, 0) ** 2 + aside**2) / (radius * swell)
    shadow = np.clip(1.5 - away, 0, 0.5) * 1.2
    scene.image *= (1 - np.clip(shadow, 0, 0.55))[..., None]
    cover = np.clip((1 - away) * radius, 0, 1)
    round_ = np.sqrt(np.clip(1 - away**2, 0, 1))
    nail = (((forth - 0.15 * radius) / (0.75 * radius)) ** 2 + (aside / (0.62 * radius)) ** 2) < 1
    look = skin.astype(np.float32) * (0.35 + 0.65 * round_)[..., None]
    look[nail] = look[nail] * 0.6 + np.float32(0.32) * np.array((1, 0.8, 0.72), np.float32)
    scene.image += cover[..., None] * (look - scene.image)
    scene.owner[cover > 0.5] = ABOVE

"""A third way to draw cards, sharing no code with the package or the second: polygons on one flat
scene at twice the size, with what people do to cards, then a scanner or a camera.

Sizes in mm, written down again from the standards of the package's geometry.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

LENGTH, HEIGHT = 187.325, 82.55
FIRST_COLUMN, FIRST_ROW, PITCH, ROW = 6.3754, 6.35, 2.2098, 6.35
HOLE = (1.397, 3.175)
PAPERS = [(236, 220, 180), (240, 170, 175), (160, 205, 165), (150, 185, 225), (205, 90, 80),
          (250, 250, 248), (205, 180, 130)]  # fmt: skip
BACKS = [(8, 8, 9), (35, 33, 32), (80, 60, 45), (25, 35, 75), (253, 253, 253)]


@dataclass
class Scene:
    """A card, what lies behind and upon it, and how the picture is taken."""

    patterns: np.ndarray
    chance: np.random.Generator
    ppi: int = 150
    paper: tuple = PAPERS[0]
    back: tuple = BACKS[0]
    cut: str = "upper left"
    radius: float = 0.0
    text: str = ""
    digits: float = 0.0
    boxes: bool = False
    stripe: tuple | None = None
    margin: float = 8.0
    stray: float = 0.1
    slip: tuple = (0.0, 0.0)
    shadow: float = 0.3
    angle: float = 0.0
    blur: float = 0.1
    noise: float = 3.0
    quality: int = 88
    light: tuple = (0.0, 0.0)
    on_paper: list = field(default_factory=list)
    out_of_paper: list = field(default_factory=list)
    behind: list = field(default_factory=list)

    @property
    def scale(self) -> float:
        return self.ppi * 2 / 25.4

    def at(self, points):
        return [((x + self.margin) * self.scale, (y + self.margin) * self.scale) for x, y in points]

    def box(self, x, y, half):
        (left, top), (right, low) = self.at(
            [(x - half[0], y - half[1]), (x + half[0], y + half[1])]
        )
        return [left, top, right, low]


def scene_by_chance(patterns, seed: int) -> Scene:
    """Return a card as an ordinary scanner sees it, on any stock and backing."""
    chance = np.random.default_rng((seed, 11))
    paper, back = PAPERS[0], BACKS[0]
    for _ in range(40):
        paper, back = PAPERS[chance.integers(7)], BACKS[chance.integers(5)]
        if max(abs(a - b) for a, b in zip(paper, back, strict=True)) > 60:
            break
    letters = list("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789   .-")
    return Scene(
        patterns, chance, paper=paper, back=back,
        text="".join(chance.choice(letters, 80)) if chance.random() < 0.5 else "",
        digits=chance.uniform(1.4, 2.6) if chance.random() < 0.5 else 0,
        boxes=chance.random() < 0.3,
        radius=6.35 if chance.random() < 0.4 else 0,
        margin=chance.uniform(4, 14), stray=chance.uniform(0, 0.2),
        slip=tuple(chance.uniform(-0.1, 0.1, 2)), shadow=chance.uniform(0.1, 0.5),
        angle=chance.normal(0, 0.8), blur=chance.uniform(0.05, 0.15),
        noise=chance.uniform(1, 5), quality=int(chance.integers(70, 96)),
        light=tuple(chance.normal(0, 0.05, 2)),
    )  # fmt: skip


def place(column: int, row: int):
    """Return the middle of a place; column and row from 0."""
    return FIRST_COLUMN + PITCH * column, FIRST_ROW + ROW * row


def blacken(scene: Scene, count: int, grey: int) -> None:
    """Blacken places solid with a pencil."""
    for _ in range(count):
        x, y = place(scene.chance.integers(80), scene.chance.integers(12))
        half = scene.chance.uniform([0.55, 1.3], [0.85, 1.8])
        scene.on_paper.append(lambda pen, x=x, y=y, half=half: pen.rectangle(
            scene.box(x, y, half), fill=(grey, grey, grey + 3)))  # fmt: skip


def scribble(scene: Scene, lines: int) -> None:
    """Write over the card with pens of several colours."""
    for _ in range(lines):
        start = scene.chance.uniform([10, 8], [LENGTH - 10, HEIGHT - 8])
        path = start + np.cumsum(scene.chance.normal(0, 3, (8, 2)), axis=0)
        ink = tuple(int(v) for v in scene.chance.integers(20, 120, 3))
        width = max(1, round(scene.chance.uniform(0.3, 1.0) * scene.scale))
        scene.on_paper.append(lambda pen, path=path, ink=ink, width=width: pen.line(
            scene.at(path), fill=ink, width=width, joint="curve"))  # fmt: skip


def tear(scene: Scene) -> None:
    """Tear the card from its top or bottom edge."""
    middle, depth = scene.chance.uniform(10, LENGTH - 10), scene.chance.uniform(4, 30)
    ys = np.linspace(-3, depth, 8)
    across = middle + np.cumsum(scene.chance.normal(0, 0.4, 8))
    half = scene.chance.uniform(0.5, 4) * (1 - np.clip(ys, 0, None) / depth)
    if scene.chance.random() < 0.5:
        ys = HEIGHT - ys
    points = [
        *zip(across - half, ys, strict=True),
        *zip((across + half)[::-1], ys[::-1], strict=True),
    ]
    scene.out_of_paper.append(lambda pen: pen.polygon(scene.at(points), fill=0))


def file_holes(scene: Scene) -> None:
    """Punch round holes for a file."""
    for _ in range(2):
        x, y = scene.chance.uniform([6, 6], [LENGTH - 6, HEIGHT - 6])
        size = scene.chance.uniform(1.5, 3.2)
        scene.out_of_paper.append(lambda pen, x=x, y=y, size=size: pen.ellipse(
            scene.box(x, y, (size, size)), fill=0))  # fmt: skip


def slip_behind(scene: Scene, paper, *, whole: bool) -> None:
    """Lay a card, or a slip of paper, behind."""
    left, top = (0.4, 0.3) if whole else scene.chance.uniform([5, 5], [120, 50])
    size = (LENGTH, HEIGHT) if whole else scene.chance.uniform([20, 10], [60, 30])
    points = [
        (left, top),
        (left + size[0], top),
        (left + size[0], top + size[1]),
        (left, top + size[1]),
    ]
    scene.behind.append(lambda pen: pen.polygon(scene.at(points), fill=paper))


def render(scene: Scene) -> np.ndarray:
    """Return uint8 (h, w, 3), the picture."""
    size = tuple(round((side + 2 * scene.margin) * scene.scale) for side in (LENGTH, HEIGHT))
    sheet = Image.new("RGB", size, scene.paper)
    _print(scene, ImageDraw.Draw(sheet))
    for mark in scene.on_paper:
        mark(ImageDraw.Draw(sheet))
    cover = Image.new("L", size, 0)
    pen = ImageDraw.Draw(cover)
    pen.polygon(scene.at(_outline(scene)), fill=255)
    for column, row in np.argwhere((scene.patterns[:, None] >> np.arange(11, -1, -1)) & 1):
        x, y = np.array(place(column, row)) + scene.slip
        x, y = np.array([x, y]) + scene.chance.uniform(-scene.stray, scene.stray, 2)
        pen.rectangle(scene.box(x, y, (HOLE[0] / 2, HOLE[1] / 2)), fill=0)
    for hole in scene.out_of_paper:
        hole(pen)
    ground = Image.new("RGB", size, scene.back)
    for thing in scene.behind:
        thing(ImageDraw.Draw(ground))
    cast = cover.filter(ImageFilter.GaussianBlur(0.15 * scene.scale))
    cast = np.roll(np.asarray(cast, np.float32) / 255, (round(0.2 * scene.scale),) * 2, (0, 1))
    behind = np.asarray(ground, np.float32) * (1 - scene.shadow * cast[..., None])
    paper = np.asarray(sheet, np.float32)
    there = np.asarray(cover, np.float32)[..., None] / 255
    return _taken(scene, paper * there + behind * (1 - there))


def _outline(scene: Scene):
    corners = [(0, 0, 1, 1), (LENGTH, 0, -1, 1), (LENGTH, HEIGHT, -1, -1), (0, HEIGHT, 1, -1)]
    names, points, radius = ("upper left", "upper right", "", ""), [], scene.radius
    for turn, ((x, y, right, down), name) in enumerate(zip(corners, names, strict=True)):
        if scene.cut == name:
            cut = [(x, y + 10.9982), (x + right * 6.35, y)]
            points += cut if turn == 0 else cut[::-1]
        elif radius:
            for angle in np.radians(180 + 90 * turn + np.linspace(0, 90, 8)):
                points.append((x + right * radius + radius * math.cos(angle),
                               y + down * radius + radius * math.sin(angle)))  # fmt: skip
        else:
            points.append((x, y))
    return points


def _print(scene: Scene, pen) -> None:
    ink = (60, 50, 70)
    if scene.stripe:
        pen.rectangle([*scene.at([(0, 0)])[0], *scene.at([(LENGTH, 3.5)])[0]], fill=scene.stripe)
    if scene.boxes:
        for _ in range(5):
            left, right = np.sort(scene.chance.choice(81, 2, replace=False))
            edges = [FIRST_COLUMN + (edge - 0.5) * PITCH for edge in (left, right)]
            corners = scene.at([(edges[0], 0.5), (edges[1], HEIGHT - 0.5)])
            pen.rectangle([*corners[0], *corners[1]], outline=ink, width=2)
    if scene.digits:
        font = ImageFont.load_default(scene.digits * scene.scale)
        for row in range(2, 12):
            for column in range(80):
                pen.text(scene.at([place(column, row)])[0], str(row - 2), ink, font, anchor="mm")
    font = ImageFont.load_default(2.6 * scene.scale)
    for column, character in enumerate(scene.text):
        at = scene.at([(FIRST_COLUMN + PITCH * column, 2.2)])[0]
        pen.text(at, character, ink, font, anchor="mm")


def _taken(scene: Scene, flat: np.ndarray) -> np.ndarray:
    height, width = flat.shape[:2]
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), scene.angle, 0.96)
    soft = cv2.GaussianBlur(flat, (0, 0), 0.8)
    seen = cv2.warpAffine(soft, turn, (width, height), borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.resize(seen, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    y, x = np.mgrid[-1 : 1 : seen.shape[0] * 1j, -1 : 1 : seen.shape[1] * 1j]
    seen = seen * (1 + scene.light[0] * x + scene.light[1] * y)[..., None]
    seen = cv2.GaussianBlur(seen, (0, 0), max(0.3, scene.blur * scene.ppi / 25.4))
    seen = seen + scene.chance.normal(0, scene.noise, seen.shape)
    file = io.BytesIO()
    image = Image.fromarray(np.clip(seen, 0, 255).astype(np.uint8))
    image.save(file, "JPEG", quality=scene.quality, subsampling=2)
    return np.asarray(Image.open(file))

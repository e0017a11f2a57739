"""A second way to draw cards, sharing no code with the package: flat at four times the size, then
turned by a camera.

Everything is done otherwise than in `deckwright.pictures`: holes with rounded corners and a wall of
paper on one side, fibres and blotches for paper, digits printed in every hole place, a bitmap font
for the line, a backing with a texture and a gradient, chance that follows the light, a lens that
darkens and distorts, a black frame or none.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

# thousandths of an inch, from the same standards as the package's geometry, written down again
LENGTH, HEIGHT = 7375, 3250
FIRST_COLUMN, FIRST_ROW, PITCH, ROW = 251, 250, 87, 250
HOLE = (55, 125)


@dataclass
class Look:
    """How a card and its picture look."""

    paper: tuple[int, int, int] = (238, 224, 190)
    backing: tuple[int, int, int] = (20, 20, 22)
    digits: bool = True
    line: bool = True
    rounded: bool = False
    texture: float = 4.0
    wall: float = 0.5
    angle: float = 1.0
    tilt: float = 0.02
    barrel: float = 0.0
    vignette: float = 0.1
    grain: float = 0.02
    focus: float = 0.4
    quality: int = 85
    backing_texture: float = 6.0
    stray: float = 0.15
    flip: str = ""
    border: float = 0.35
    gamma: float = 1.0


def draw(patterns, look: Look, ppi: int, seed: int, text: str = ""):
    """Return uint8 (h, w, 3) of a card."""
    chance = np.random.default_rng(seed)
    scale = ppi * 2 / 1000  # pixels of the flat drawing a thousandth of an inch
    cover = _cover(patterns, look, scale, chance)
    paper = _sheet(look, cover.shape, chance, text, scale)
    border = round(look.border * ppi * 2)
    cover = cv2.copyMakeBorder(cover, border, border, border, border, cv2.BORDER_CONSTANT, value=0)
    paper = cv2.copyMakeBorder(paper, border, border, border, border, cv2.BORDER_REPLICATE)
    behind = _ground(look, cover.shape, chance)
    shade = np.roll(cv2.blur(cover, (5, 5)), (round(7 * scale), round(5 * scale)), (0, 1))
    behind *= 1 - look.wall * 0.6 * shade[..., None]
    edge = np.clip(np.roll(cover, (0, round(-4 * scale)), (0, 1)) - cover, 0, 1)[..., None]
    picture = cover[..., None] * paper + (1 - cover[..., None]) * behind
    picture = picture * (1 - edge * look.wall) + edge * look.wall * 0.8 * np.array(look.paper)
    return _camera(picture.astype(np.float32), look, ppi, chance)


def look_by_chance(seed: int) -> Look:
    """Return a look that a scanner or a camera could give, on any backing."""
    chance = np.random.default_rng((seed, 3))
    papers = [(238, 224, 190), (250, 247, 240), (228, 190, 110), (170, 200, 170), (150, 180, 215),
              (225, 150, 150), (205, 190, 165)]  # fmt: skip
    backings = [
        (8, 8, 8),
        (40, 38, 36),
        (70, 60, 50),
        (254, 254, 254),
        (255, 255, 248),
        (30, 40, 70),
    ]
    paper = papers[chance.integers(len(papers))]
    backing = backings[chance.integers(len(backings))]
    if min(backing) > 200 and min(paper) > 230:
        paper = papers[0]
    return Look(
        paper=paper,
        backing=backing,
        digits=bool(chance.random() < 0.6),
        line=bool(chance.random() < 0.7),
        rounded=bool(chance.random() < 0.4),
        texture=chance.uniform(0, 6),
        wall=chance.uniform(0, 0.7),
        angle=chance.uniform(-3, 3),
        tilt=chance.uniform(-0.03, 0.03),
        barrel=chance.uniform(-0.004, 0.004),
        vignette=chance.uniform(0, 0.25),
        grain=chance.uniform(0.005, 0.03),
        focus=chance.uniform(0.2, 0.8),
        quality=int(chance.integers(60, 96)),
        backing_texture=chance.uniform(0, 8),
        stray=chance.uniform(0, 0.25),
        flip=str(chance.choice(["", "", "", "turned", "mirrored", "both"])),
        border=chance.uniform(0.15, 0.5),
        gamma=chance.uniform(0.85, 1.15),
    )


def _cover(patterns, look, scale, chance):
    """Return float32 (h, w), 1 where there is paper, from a drawing twice as fine again."""
    size = (round(LENGTH * scale * 2), round(HEIGHT * scale * 2))
    sheet = Image.new("L", size, 0)
    pen = ImageDraw.Draw(sheet)
    fine = scale * 2
    radius = 250 * fine if look.rounded else 0
    pen.rounded_rectangle((0, 0, size[0] - 1, size[1] - 1), radius, fill=255)
    pen.polygon([(0, 0), (250 * fine, 0), (0, 433 * fine)], fill=0)
    for column in range(80):
        for row in range(12):
            if not int(patterns[column]) >> (11 - row) & 1:
                continue
            x, y = FIRST_COLUMN + PITCH * column, FIRST_ROW + ROW * row
            off = chance.uniform(-look.stray, look.stray, 2) / 0.0254
            box = [
                (x + off[0] - HOLE[0] / 2) * fine, (y + off[1] - HOLE[1] / 2) * fine,
                (x + off[0] + HOLE[0] / 2) * fine - 1, (y + off[1] + HOLE[1] / 2) * fine - 1,
            ]  # fmt: skip
            pen.rounded_rectangle(box, 8 * fine, fill=0)
    half = sheet.resize((size[0] // 2, size[1] // 2), Image.Resampling.BOX)
    return np.asarray(half, np.float32) / 255


def _sheet(look, size, chance, text, scale):
    """Return float32 (h, w, 3), paper with fibres, blotches, digits and a printed line."""
    height, width = size
    sheet = Image.new("RGB", (width, height), look.paper)
    pen = ImageDraw.Draw(sheet)
    for _ in range(int(look.texture * 400)):
        x, y = chance.uniform(0, width), chance.uniform(0, height)
        dx, dy = chance.normal(0, 30 * scale, 2)
        tone = 1 + chance.uniform(-0.04, 0.04)
        pen.line((x, y, x + dx, y + dy), tuple(int(min(255, c * tone)) for c in look.paper), 1)
    if look.digits:
        font = ImageFont.load_default(90 * scale)
        for row in range(2, 12):
            for column in range(80):
                x, y = FIRST_COLUMN + PITCH * column, FIRST_ROW + ROW * row
                pen.text((x * scale, y * scale), str(row - 2), (90, 80, 75), font, anchor="mm")
    if look.line and text:
        font = ImageFont.load_default(110 * scale)
        for column, character in enumerate(text):
            x = (FIRST_COLUMN + PITCH * column) * scale
            pen.text((x, 85 * scale), character, (60, 50, 90), font, anchor="mm")
    blotches = chance.normal(0, look.texture, (12, 28)).astype(np.float32)
    soft = cv2.resize(blotches, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray(sheet, np.float32) + soft[..., None]


def _ground(look, size, chance):
    """Return float32 (h, w, 3), a backing with streaks and a gradient."""
    height, width = size
    streaks = chance.normal(0, look.backing_texture, (height // 8 + 1, 1)).astype(np.float32)
    streaks = cv2.resize(streaks, (1, height))
    slope = np.linspace(-1, 1, width, dtype=np.float32)[None, :] * look.backing_texture
    return np.clip(np.array(look.backing, np.float32) + (streaks + slope)[..., None], 0, 255)


def _camera(picture, look, ppi, chance):
    """Return uint8 of a scene twice too large, seen through a lens."""
    height, width = picture.shape[:2]
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), look.angle, 1.0)
    box = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]]) @ turn.T
    shift = box.min(axis=0)
    target = box - shift
    size = target.max(axis=0)
    target[0, 1] += look.tilt * height
    target[1, 1] -= look.tilt * height
    target = (target * 0.5).astype(np.float32)
    source = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, target)
    soft = cv2.GaussianBlur(picture, (0, 0), 0.6 + look.focus * ppi / 200)
    out = (int(size[0] / 2), int(size[1] / 2))
    seen = cv2.warpPerspective(soft, matrix, out, flags=cv2.INTER_LINEAR,
                               borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    y, x = np.mgrid[-1 : 1 : out[1] * 1j, -1 : 1 : out[0] * 1j].astype(np.float32)
    far = x * x + y * y
    if look.barrel:
        pull = 1 + look.barrel * (far - 1)
        seen = cv2.remap(seen, (x * pull + 1) * (out[0] - 1) / 2, (y * pull + 1) * (out[1] - 1) / 2,
                         cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    seen = np.clip(seen * (1 - look.vignette * far / 2)[..., None], 0, 255) / 255
    seen = seen**look.gamma
    noise = chance.standard_normal(seen.shape, np.float32) * look.grain
    seen = seen + noise * np.sqrt(0.1 + seen)
    seen = (np.clip(seen, 0, 1) * 255).astype(np.uint8)
    if look.flip in {"turned", "both"}:
        seen = seen[::-1, ::-1]
    if look.flip in {"mirrored", "both"}:
        seen = seen[:, ::-1]
    _, data = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, look.quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)

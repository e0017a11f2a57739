"""Draw pictures: `python -m tests.secondrenderer.draw --seed 2 --pictures 12 --out DIR`.

A box is named by its seed; even seeds are the half for calibration, odd ones the half that is
reported. The same seed, number and options give the same bytes.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from . import geometry
from .backing import draw_backing
from .camera import Camera, Flatbed, Lens, Pose, Positions
from .card import Card, draw_card
from .noise import Rng
from .recipes import Box, PicturePlan, plan_box, plan_picture
from .rejects import draw_reject
from .scene import Scene, lay, light_up, put_finger
from .sensor import expose, keep, suffix
from .truth import CardTruth, Picture

_PAGE = (210.0, 297.0)
_SIZE = (geometry.LENGTH, geometry.HEIGHT)
_HARDLY = 22
"""Levels of 255 below which a hole is hardly told from paper."""


def draw_box(seed: int, pictures: int, *, device: str = "", dpi: float = 0.0) -> Iterator[Picture]:
    """Draw the pictures of a box one by one."""
    box = plan_box(seed, device=device, dpi=dpi)
    for number in range(1, pictures + 1):
        yield draw(box, plan_picture(box, number), number)


def draw(box: Box, plan: PicturePlan, number: int) -> Picture:
    """Draw one picture."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([box.seed, 73, number])
    scale = plan.dpi / 25.4
    finer = 1.25 if plan.dpi < 350 else 1.0
    cards = [draw_card(rng, each, scale * finer) for each in plan.cards]
    poses = _poses(rng, plan)
    camera, size = _frame(rng, plan, poses, box.device, scale)
    paper = plan.cards[0].stock.paper if plan.cards else box.stocks[0].paper
    image = draw_backing(rng, plan.backing, (size[1], size[0]), scale, paper)
    scene = Scene(image, np.zeros((size[1], size[0]), np.uint8), camera, plan.light, scale)
    if plan.reject:
        draw_reject(rng, scene, plan.reject)
    for card, pose in zip(cards, poses, strict=True):
        lay(scene, card, pose)
    for _ in range(plan.fingers):
        _finger(rng, scene, poses[0])
    light_up(scene)
    pixels = expose(rng, scene.image, plan.sensor)
    told = [_truth(scene, each, plan, pixels) for each in _order(scene)]
    if plan.mirrored:
        pixels = np.ascontiguousarray(pixels[:, ::-1])
    data, chain, scaled = keep(pixels, plan.sensor, plan.dpi)
    return Picture(
        name=f"{box.seed:05}-{number:03}.{suffix(plan.sensor)}",
        data=data,
        seed=box.seed,
        number=number,
        grade="bad" if any(card.grade == "bad" for card in told) else plan.grade,
        device=box.device,
        backing=plan.backing,
        dpi=plan.dpi * scaled,
        chain=chain,
        cards=tuple(replace(card, centres=card.centres * scaled) for card in told),
        things=_things(plan),
    )


def _poses(rng: Rng, plan: PicturePlan) -> list[Pose]:
    poses = []
    for number, planned in enumerate(plan.turned):
        middle, above, turned = (0.0, 0.0), 0.05, planned
        if plan.arrangement == "page":
            quarter = round(turned / 90) % 2
            # level cards lie below each other, upright ones side by side
            step = 95.0 if not quarter else 97.0
            place = (number - (len(plan.turned) - 1) / 2) * step + float(rng.uniform(-2, 2))
            middle = (
                (float(rng.uniform(-5, 5)), place)
                if not quarter
                else (place, float(rng.uniform(-20, 20)))
            )
        elif plan.arrangement == "overlap" and number == 1:
            middle = (float(rng.uniform(-60, 60)), float(rng.choice([-1, 1]) * rng.uniform(20, 70)))
            turned, above = turned + float(rng.normal(0, 15)), 0.3
        elif plan.arrangement == "apart" and number == 1:
            away = 92.0 + float(rng.uniform(0, 12))
            angle = np.radians(plan.turned[0])
            middle = (-away * float(np.sin(angle)), away * float(np.cos(angle)))
        poses.append(Pose(middle, turned, _SIZE, above, plan.arch, plan.curl))
    return poses


def _corners(pose: Pose) -> Positions:
    x, y = np.linspace(0, _SIZE[0], 9), np.linspace(0, _SIZE[1], 5)
    return pose.on_table(np.stack(np.meshgrid(x, y), axis=-1)).reshape(-1, 3)


def _frame(
    rng: Rng, plan: PicturePlan, poses: list[Pose], device: str, scale: float
) -> tuple[Camera, tuple[int, int]]:
    """Return a camera that sees all cards with their margins, and the size of its picture."""
    camera: Camera = Flatbed(scale, float(rng.normal(0, 0.0015)), float(rng.normal(0, 0.0006)))
    if device == "phone":
        camera = Lens(scale, float(rng.uniform(250, 480)), plan.tilt, plan.bend)
    points = np.concatenate(
        [_corners(pose) for pose in poses] or [_corners(Pose((0, 0), 0.0, _SIZE))]
    )
    if plan.arrangement == "page":
        wide = np.ptp(points[:, 0]) > _PAGE[0]
        half = np.array(_PAGE[::-1] if wide else _PAGE) / 2
        half = np.maximum(half, np.abs(points[:, :2]).max(axis=0) + 3)
        points = np.array([(-half[0], -half[1], 0), (half[0], half[1], 0)])
    margins = np.zeros(4) if plan.arrangement == "page" else np.array(plan.margins) * scale
    # straight lines first, then the lens bends them about the middle of the picture
    reach = scale * 150
    flat = camera.centred((0.0, 0.0), reach).project(points)
    low, high = flat.min(axis=0) - margins[:2], flat.max(axis=0) + margins[2:]
    size = np.ceil(high - low).astype(int)
    return camera.centred((float(-low[0]), float(-low[1])), reach), (int(size[0]), int(size[1]))


def _finger(rng: Rng, scene: Scene, pose: Pose) -> None:
    """Put a finger over an edge of a card, with its tip within."""
    share = float(rng.uniform(0.08, 0.92))
    edge = int(rng.integers(4))
    deep = float(rng.uniform(4, 22))
    length, height = _SIZE
    spots = (
        (share * length, deep),
        (length - deep, share * height),
        (share * length, height - deep),
        (deep, share * height),
    )
    ways = (-np.pi / 2, 0.0, np.pi / 2, np.pi)
    tip = pose.on_table(np.array(spots[edge]))
    way = ways[edge] + np.radians(pose.turned) + float(rng.normal(0, 0.35))
    put_finger(rng, scene, tip, way)


def _order(scene: Scene) -> list[int]:
    """Return the cards from the top, each line from left to right, as they are looked at."""
    middles = [pose.middle for _, pose in scene.laid]
    return sorted(
        range(len(middles)), key=lambda each: (round(middles[each][1] / 40), middles[each][0])
    )


def _truth(scene: Scene, number: int, plan: PicturePlan, pixels: NDArray[np.uint8]) -> CardTruth:
    card: Card = scene.laid[number][0]
    hidden, causes = scene.hidden(number)
    centres = scene.seat(number, card.centres)
    turned = scene.laid[number][1].turned
    contrast = _contrast(pixels, centres, card.holes & ~hidden)
    if plan.mirrored:
        centres = centres * (-1, 1) + (scene.size[0], 0)
        turned = -turned
    return CardTruth(
        grade="bad" if contrast < _HARDLY else card.plan.grade,
        text=card.plan.text,
        holes=card.holes,
        hidden=hidden,
        hidden_by=causes,
        side=card.plan.side,
        turned=turned % 360,
        mirrored=plan.mirrored,
        cut=card.plan.stock.cut,
        face=card.plan.stock.face,
        interpreted=card.plan.interpreted,
        paper=card.plan.stock.paper_name,
        marks=tuple(dict.fromkeys(card.sheet.marks)),
        contrast=contrast,
        centres=centres,
    )


def _contrast(pixels: NDArray[np.uint8], centres: Positions, shown: NDArray[np.bool_]) -> float:
    """Return how far holes are from the paper half a pitch aside, in the best of three colours."""
    if not shown.any():
        return float("nan")
    aside = (np.roll(centres, -1, axis=1) - centres) / 2
    aside[:, -1] = -aside[:, 0]
    height, width = pixels.shape[:2]
    values = []
    for at in (centres[shown], (centres + aside)[shown]):
        x, y = np.floor(at).astype(int).T
        values.append(pixels[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(int))
    return float(np.median(np.abs(values[0] - values[1]), axis=0).max())


def _things(plan: PicturePlan) -> tuple[str, ...]:
    told = {
        plan.arrangement: plan.arrangement not in ("alone", "none"),
        plan.reject: bool(plan.reject),
        "finger": plan.fingers > 0,
        "shadow": bool(plan.light.shadows),
        "bent": max(abs(plan.arch[0]), plan.curl) > 2,
        "tilted": max(map(abs, plan.tilt)) > 0.1,
        "cropped": min(plan.margins) < 0,
        "blurred": plan.sensor.blur * 200 / plan.dpi > 1.3,
        "moved": plan.sensor.motion[0] > 1,
    }
    return tuple(name for name, holds in told.items() if holds)


def main() -> None:
    """Draw a box into a folder, with the truth beside."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--pictures", type=int, default=12)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--device", default="", choices=["", "flatbed", "phone", "page"])
    parser.add_argument("--dpi", type=float, default=0.0)
    told = parser.parse_args()
    told.out.mkdir(parents=True, exist_ok=True)
    lines = []
    for picture in draw_box(told.seed, told.pictures, device=told.device, dpi=told.dpi):
        (told.out / picture.name).write_bytes(picture.data)
        lines.append(json.dumps(picture.line()))
    (told.out.parent / f"{told.out.name}.truth.jsonl").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()

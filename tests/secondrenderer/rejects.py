"""Pictures with no card in them: a bare table, a sheet of type, a form, an envelope, a hand."""

from __future__ import annotations

import cv2
import numpy as np

from .glyphs import put, typeset
from .noise import Rng, grain
from .scene import Scene, put_finger

KINDS = ("nothing", "sheet", "form", "envelope", "hand")


def draw_reject(rng: Rng, scene: Scene, kind: str) -> None:
    """Draw a thing that is no card over the backing of a scene."""
    if kind == "nothing":
        return
    if kind == "hand":
        for number in range(4):
            put_finger(
                rng,
                scene,
                np.array([-40.0 + 24 * number, rng.uniform(-20, 10)]),
                np.pi / 2 + rng.normal(0, 0.1),
            )
        return
    width, height = scene.size
    share = {"sheet": (0.9, 0.93), "form": (0.8, 0.8), "envelope": (0.72, 0.75)}[kind]
    half = np.array([width, height]) * share / 2
    angle = float(rng.normal(0, 0.04))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half @ turn.T + (
        width / 2,
        height / 2,
    )
    page = np.zeros((height, width), np.uint8)
    cv2.fillPoly(page, [np.round(corners * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    paper = np.array((0.84, 0.83, 0.8) if kind == "sheet" else (0.75, 0.66, 0.48), np.float32)
    look = paper * (1 + 0.02 * grain(rng, page.shape))[..., None]
    cover = page.astype(np.float32)[..., None] / 255
    scene.image += cover * (look - scene.image)
    letters = np.zeros_like(page)
    size = round(3.2 * scene.scale)
    left, top = (
        width * (1 - share[0]) / 2 + 8 * scene.scale,
        height * (1 - share[1]) / 2 + 8 * scene.scale,
    )
    if kind == "sheet":
        for line in range(int(height * share[1] / (1.6 * size)) - 3):
            words = " ".join("m" * int(rng.integers(2, 9)) for _ in range(int(rng.integers(4, 9))))
            put(letters, typeset(words, size), left, top + line * 1.6 * size)
    elif kind == "form":
        for number in range(9):
            y = round(top + number * 7 * scene.scale)
            cv2.line(
                letters,
                (round(left), y),
                (round(width - left), y),
                255,
                max(1, round(0.3 * scene.scale)),
            )
            x = round(left + number * (width - 2 * left) / 8)
            cv2.line(
                letters,
                (x, round(top)),
                (x, round(height - top)),
                255,
                max(1, round(0.3 * scene.scale)),
            )
    else:
        middle = (round(width / 2), round(height * 0.6))
        for corner in corners[:2]:
            cv2.line(
                letters,
                tuple(int(part) for part in corner),
                middle,
                160,
                max(1, round(0.5 * scene.scale)),
            )
    ink = letters.astype(np.float32)[..., None] / 255
    scene.image *= 1 - 0.85 * ink

"""What lies below and around the cards, as it reflects light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .noise import Rng, fibres, grain, octaves

PLAIN = ("black sheet", "open lid", "dark felt", "dark blue sheet")
"""Backings that differ from any card."""
USUAL = (
    "wood",
    "grey desk",
    "cutting mat",
    "white lid",
    "white paper",
    "hand-coloured sheet",
    "cloth",
    "light table",
)
ALIKE = ("own colour",)
"""A backing as light as the card itself."""

Albedo = NDArray[np.float32]


def draw_backing(
    rng: Rng, kind: str, shape: tuple[int, int], scale: float, paper: tuple[float, float, float]
) -> Albedo:
    """Return a backing: rows by columns by 3; `scale` in pixels a mm, `paper` the card's colour."""
    if kind in ("wood", "cloth", "cutting mat", "hand-coloured sheet"):
        makers = {
            "wood": _wood,
            "cloth": _cloth,
            "cutting mat": _mat,
            "hand-coloured sheet": _painted,
        }
        return np.clip(makers[kind](rng, shape, scale), 0.004, 2).astype(np.float32)
    base, rough, coarse = {
        "black sheet": ((0.02, 0.02, 0.022), 0.10, 0.1),
        "open lid": ((0.006, 0.006, 0.007), 0.02, 0.05),
        "dark felt": ((0.03, 0.035, 0.03), 0.30, 0.15),
        "dark blue sheet": ((0.02, 0.04, 0.12), 0.06, 0.08),
        "grey desk": ((0.25, 0.25, 0.24), 0.05, 0.04),
        "white lid": ((0.88, 0.88, 0.87), 0.004, 0.008),
        "white paper": ((0.86, 0.86, 0.84), 0.015, 0.012),
        "light table": ((2.4, 2.4, 2.3), 0.002, 0.02),
        "own colour": (tuple(0.97 * part for part in paper), 0.02, 0.03),
    }[kind]
    texture = 1 + rough * 0.5 * grain(rng, shape) + coarse * octaves(rng, shape, 25 * scale)
    if kind == "dark felt":
        texture += 0.8 * fibres(rng, shape, scale, 6000, 3.0)
    if kind == "open lid":
        away = np.linspace(0, float(rng.uniform(0, 3)), shape[0], dtype=np.float32)[:, None]
        texture = texture * (1 + away)
    field = np.asarray(base, np.float32) * np.clip(texture, 0.05, None)[..., None]
    return np.clip(field, 0.003, 3).astype(np.float32)


def _wood(rng: Rng, shape: tuple[int, int], scale: float) -> Albedo:
    dark, light = np.array((0.10, 0.055, 0.03)), np.array((0.36, 0.22, 0.12))
    bright = float(rng.uniform(0.4, 1.5))
    rings = octaves(rng, shape, 5 * scale, levels=5, drawn_out=14)
    pores = octaves(rng, shape, 0.6 * scale + 1, levels=2, drawn_out=20)
    lines = 0.5 + 0.5 * np.sin(3.0 * rings + 0.4 * pores)
    share = np.clip(0.25 + 0.55 * lines + 0.07 * pores, 0, 1)[..., None]
    field = bright * (dark + share * (light - dark))
    return field if rng.random() < 0.6 else np.ascontiguousarray(_turned(field, shape))


def _turned(field: NDArray[np.generic], shape: tuple[int, int]) -> NDArray[np.generic]:
    return cv2.resize(np.rot90(field), shape[::-1], interpolation=cv2.INTER_LINEAR)


def _cloth(rng: Rng, shape: tuple[int, int], scale: float) -> Albedo:
    colour = rng.uniform(0.03, 0.5, 3) * rng.uniform(0.3, 1)
    period = max(2.5, 0.7 * scale)
    y, x = np.ogrid[: shape[0], : shape[1]]
    weave = np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period)
    folds = octaves(rng, shape, 40 * scale, levels=2)
    texture = 1 + 0.25 * weave + 0.12 * folds + 0.1 * grain(rng, shape)
    return np.asarray(colour, np.float32) * texture[..., None]


def _mat(rng: Rng, shape: tuple[int, int], scale: float) -> Albedo:
    colour = np.array((0.02, 0.12, 0.08) if rng.random() < 0.7 else (0.05, 0.07, 0.15), np.float32)
    field = colour * (1 + 0.08 * grain(rng, shape))[..., None]
    line = np.zeros(shape, np.uint8)
    shift = rng.uniform(0, 10, 2) * scale
    turn = float(rng.normal(0, 0.03))
    for axis in (0, 1):
        for number in range(-2, int(max(shape) / (10 * scale)) + 3):
            at = shift[axis] + number * 10 * scale
            ends = [(at, -50), (at + turn * shape[0], shape[0] + 50)]
            if axis == 1:
                ends = [(-50, at), (shape[1] + 50, at - turn * shape[1])]
            cv2.line(
                line,
                *np.round(ends).astype(int).tolist(),
                255,
                max(1, round(0.25 * scale)),
                cv2.LINE_AA,
            )
    share = line.astype(np.float32)[..., None] / 255
    return field + share * (np.float32(0.55) - field) * 0.7


def _painted(rng: Rng, shape: tuple[int, int], scale: float) -> Albedo:
    colour = np.array(
        [(0.05, 0.1, 0.4), (0.4, 0.05, 0.05), (0.05, 0.3, 0.1), (0.5, 0.3, 0.05)][
            int(rng.integers(4))
        ]
    )
    strokes = octaves(rng, shape, 3 * scale, levels=4, drawn_out=12)
    cover = np.clip(0.85 + 0.17 * strokes, 0, 1)[..., None]
    return 0.8 * (1 - cover) + colour * cover * (1 + 0.1 * grain(rng, shape)[..., None])

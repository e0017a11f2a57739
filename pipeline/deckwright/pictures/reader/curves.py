"""Curves and smooth fields fitted so that outliers do not matter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]
_ROUNDS = 8
_FAR = 1e5  # pixels


def fit_curve(steps: Floats, offsets: Floats, scale: float, degree: int = 2) -> Floats:
    """Return float64 (degree + 1), a robust polynomial through most of the points.

    Args:
        steps: float64 (n), places from -1 to 1.
        offsets: float64 (n), what is fitted.
        scale: the least standard deviation to expect; points far beyond it weigh nothing.
        degree: of the polynomial.
    """
    powers = np.vander(steps, degree + 1, increasing=True)
    start = _sturdy_line(steps, offsets)
    return reweighted(powers, offsets, start @ powers[:, :2].T, scale)


def reweighted(
    basis: Floats, values: Floats, guess: Floats, scale: float, ridge: Floats | float = 0.0
) -> Floats:
    """Return coefficients of a basis fitted to values, outliers weighing less at each round.

    Args:
        basis: float64 (n, k).
        values: float64 (n).
        guess: float64 (n), what the values would be without outliers, roughly.
        scale: the least standard deviation to expect.
        ridge: how firmly each coefficient is held near 0, in units of one point.
    """
    hold = np.eye(basis.shape[1]) * (ridge if np.ndim(ridge) == 0 else np.asarray(ridge))
    found: Floats = np.zeros(basis.shape[1])
    for _ in range(_ROUNDS):
        apart = values - guess
        far = max(scale, spread(apart)) if len(apart) else scale
        # Tukey's biweight: nothing beyond 4.685 standard deviations counts
        weight = np.clip(1 - (apart / (4.685 * far)) ** 2, 0, None) ** 2
        moments = basis.T * weight
        tiny = 1e-9 * np.eye(basis.shape[1])
        found = np.asarray(
            np.linalg.solve(moments @ basis + hold + tiny, moments @ values), np.float64
        )
        guess = basis @ found
    return np.asarray(found)


def spread(apart: Floats) -> float:
    """Return the standard deviation that most of some differences from their middle have."""
    return 1.4826 * float(np.median(np.abs(apart)))


def robust_field(light: Layer, frame: NDArray[np.bool_]) -> tuple[Layer, Floats]:
    """Return the smooth field (h, w, 3) of a picture's frame, and the spread (3, 3) about it."""
    height, width = frame.shape
    down, along = np.nonzero(frame)
    step = max(1, len(down) // 1500)
    down, along = down[::step], along[::step]
    basis = _basis(along / width * 2 - 1, down / height * 2 - 1)
    rows, columns = np.linspace(-1, 1, height), np.linspace(-1, 1, width)
    values = light[down, along].astype(np.float64)
    field = np.empty_like(light)
    apart = np.empty_like(values)
    hold = np.array([0, 1, 1, 4, 4, 4]) * 1e-3 * len(down)
    for channel in range(values.shape[1]):
        level = values[:, channel]
        guess = np.full(len(level), float(np.median(level)))
        c = reweighted(basis, level, guess, 0.01, hold)
        apart[:, channel] = level - basis @ c
        part = c[0] + c[2] * rows + c[5] * rows**2
        across = c[1] * columns + c[3] * columns**2
        mixed = c[4] * rows[:, None] * columns
        field[..., channel] = part[:, None] + across + mixed
    size = np.abs(apart).max(axis=1)
    calm = apart[size <= 3 * max(0.01, float(np.median(size)))]
    return field, np.asarray(calm.T @ calm / max(1, len(calm)))


def meeting(level: Callable[[float], Floats], upright: Callable[[float], Floats]) -> Floats:
    """Return float64 (2), where y = level(x) meets x = upright(y)."""
    x = y = 0.0
    for _ in range(12):
        # curves that do not meet near by must not run away
        y = min(max(float(level(x)), -_FAR), _FAR)
        x = min(max(float(upright(y)), -_FAR), _FAR)
    return np.array([x, y])


def _sturdy_line(steps: Floats, offsets: Floats) -> Floats:
    """Return (intercept, slope) of a line that up to a third of the points may miss."""
    order = np.argsort(steps)
    steps, offsets = steps[order], offsets[order]
    half = len(steps) // 2
    run = steps[half : 2 * half] - steps[:half]
    slope = float(np.median((offsets[half : 2 * half] - offsets[:half]) / run)) if half else 0.0
    return np.array([float(np.median(offsets - slope * steps)), slope])


def _basis(along: Floats, down: Floats) -> Floats:
    return np.stack([np.ones_like(along), along, down, along**2, along * down, down**2], axis=-1)

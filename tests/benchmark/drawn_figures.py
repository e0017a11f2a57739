"""Draw the figures of the picture benchmark: calibration, and error against damage."""

from __future__ import annotations

import json
from collections import Counter, defaultdict

import numpy as np
from PIL import Image, ImageDraw, ImageFont

SIZE = (760, 620)
LEFT, TOP, RIGHT, BOTTOM = 90, 50, 720, 540


def draw_calibration(folder, bins):
    """Draw observed share of holes against probability, over all figures in a folder."""
    total = np.zeros((2, bins))
    for path in folder.glob("figures-*.json"):
        total += np.array(json.loads(path.read_text(encoding="utf-8"))["bins"])
    image, pen, font = _sheet(
        "Share of holes among places of each probability, with 95 % limits and counts"
    )
    centre = (np.arange(bins) + 0.5) / bins * 24 - 12
    _axes(pen, font, "probability given", "share that are holes")
    for mark in (-9, -6, -3, 0, 3, 6, 9):
        chance = f"{1 / (1 + np.exp(-mark)):.4g}"
        pen.text((_x(mark), BOTTOM + 8), chance, "black", font, anchor="ma")
        pen.text((LEFT - 6, _y(mark)), chance, "black", font, anchor="rm")
    pen.line((LEFT, BOTTOM, RIGHT, TOP), (150, 150, 150), 1)
    for place in range(bins):
        count, holes = total[0, place], total[1, place]
        if not count:
            continue
        # the limits of a 95 % interval (Wilson), so that rare bins do not mislead
        share, z = holes / count, 1.96
        middle = (share + z * z / 2 / count) / (1 + z * z / count)
        half = z / (1 + z * z / count) * np.sqrt(share * (1 - share) / count + (z / 2 / count) ** 2)
        low, high = (_y(_logit(middle + sign * half)) for sign in (-1, 1))
        x = _x(centre[place])
        pen.line((x, low, x, high), "black", 2)
        if 0 < holes < count:
            y = _y(_logit(share))
            pen.ellipse((x - 4, y - 4, x + 4, y + 4), fill="white", outline="black")
        else:  # all alike: only one limit is known
            y = low if holes else high
            pen.line((x - 4, y, x + 4, y), "black", 2)
        pen.text((x, min(low, high) - 8), _short(count), (90, 90, 90), _font(10), anchor="ms")
    image.save(folder / "calibration.png")


def draw_sweep(folder, damages, strengths):
    """Draw the share of columns that a person must see, and silent errors, against strength."""
    counts = defaultdict(Counter)
    for path in folder.glob("sweep-*.json"):
        for key, counter in json.loads(path.read_text(encoding="utf-8"))["counts"].items():
            counts[key].update(counter)
    tall = 150
    image = Image.new("RGB", (900, 60 + tall * (-(-len(damages) // 3))), "white")
    pen = ImageDraw.Draw(image)
    pen.text((20, 14), "Cards to a person (bars, 0 to 100 %) and silent column errors (crosses) "
             "against strength of damage; 1 is the limit", "black", _font(15))  # fmt: skip
    for number, name in enumerate(damages):
        x, y = 30 + number % 3 * 295, 60 + number // 3 * tall
        pen.text((x, y - 4), name, "black", _font(14))
        pen.line((x, y + 110, x + 260, y + 110), "black", 1)
        for step, strength in enumerate(strengths):
            counter = counts[str((name, strength))]
            cards = counter["cards"] or 1
            left = x + 8 + step * 36
            high = 85 * counter["person"] / cards
            pen.rectangle((left, y + 110 - high, left + 22, y + 110), (170, 185, 205), "black")
            pen.text((left + 11, y + 112), f"{strength:g}", "black", _font(11), anchor="ma")
            if counter["silent"]:
                pen.text((left + 11, y + 106 - high), f"x{counter['silent']}", (160, 0, 0),
                         _font(12), anchor="ms")  # fmt: skip
    image.save(folder / "error-against-damage.png")


def _sheet(title):
    image = Image.new("RGB", SIZE, "white")
    pen = ImageDraw.Draw(image)
    pen.text((LEFT, 16), title, "black", _font(15))
    return image, pen, _font(12)


def _short(count):
    """Return a count in three or four characters."""
    for size, letter in ((1e6, "M"), (1e3, "k")):
        if count >= size:
            return (
                f"{count / size:.0f}{letter}"
                if count >= 10 * size
                else f"{count / size:.1f}{letter}"
            )
    return f"{count:.0f}"


def _font(size):
    return ImageFont.load_default(size)


def _axes(pen, font, along, up):
    pen.rectangle((LEFT, TOP, RIGHT, BOTTOM), outline="black")
    pen.text(((LEFT + RIGHT) / 2, BOTTOM + 34), along, "black", font, anchor="ma")
    pen.text((LEFT, TOP - 6), up, "black", font, anchor="ls")


def _logit(share):
    share = min(max(share, 1e-9), 1 - 1e-9)
    return float(np.clip(np.log(share / (1 - share)), -12, 12))


def _x(mark):
    return LEFT + (mark + 12) / 24 * (RIGHT - LEFT)


def _y(mark):
    return BOTTOM - (mark + 12) / 24 * (BOTTOM - TOP)

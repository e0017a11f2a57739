"""Draw what the service held over time: memory, descriptors, threads, decks that wait."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

WIDTH, PANEL, LEFT, RIGHT, TOP = 900, 150, 110, 880, 46
PANELS = (
    ("MiB", "memory of the service, MiB"),
    ("descriptors", "open descriptors of the service"),
    ("threads", "threads of the service"),
    ("waiting", "decks dropped that have not ended"),
)


def draw(samples: Sequence[dict[str, float]], path: Path) -> None:
    """Draw samples, each with `seconds` and the keys of `PANELS`, as a PNG."""
    image = Image.new("RGB", (WIDTH, TOP + PANEL * len(PANELS) + 20), "white")
    pen, font = ImageDraw.Draw(image), ImageFont.load_default(14)
    longest = max(sample["seconds"] for sample in samples) or 1
    title = f"Soak of {longest / 60:.0f} minutes, {len(samples):,} looks"
    pen.text((LEFT, 14), title, "black", font)
    for number, (key, words) in enumerate(PANELS):
        top, bottom = TOP + PANEL * number + 24, TOP + PANEL * (number + 1) - 16
        values = [sample[key] for sample in samples]
        most = max(values) or 1
        pen.text((LEFT, top - 20), f"{words}: {values[0]:,.0f} at first, {most:,.0f} at most, "
                 f"{values[-1]:,.0f} at the end", "black", font)  # fmt: skip
        pen.line((LEFT, bottom, RIGHT, bottom), (120, 120, 120), 1)
        for value in (0, most):
            y = bottom - (bottom - top) * value / most
            pen.text((LEFT - 8, y), f"{value:,.0f}", "black", font, anchor="rm")
        line = [
            (
                LEFT + (RIGHT - LEFT) * sample["seconds"] / longest,
                bottom - (bottom - top) * sample[key] / most,
            )
            for sample in samples
        ]
        pen.line(line if len(line) > 1 else line * 2, "black", 2)
    for minute in range(0, int(longest / 60) + 1, max(1, int(longest / 600))):
        x = LEFT + (RIGHT - LEFT) * minute * 60 / longest
        pen.text((x, image.height - 14), f"{minute} min", "black", font, anchor="ms")
    path.parent.mkdir(exist_ok=True)
    image.save(path)

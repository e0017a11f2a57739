"""What time and people leave on a card: pencil, ink, stamps, stains, staples, tape, clips, labels.

Every mark is drawn on the side that is seen. A mark that lies on the card as a thing of its own
hides what is below it; ink and stains hide nothing, since a hole stays a hole beneath them.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .geometry import HEIGHT, LENGTH
from .glyphs import put, typeset, write
from .noise import Rng, grain, octaves
from .sheet import Colour, Sheet

_WORDS = ("SEEN", "DEPOT 4", "COPY", "CHECKED", "VOID?", "17 MAR", "ENTERED", "SHELF C")


def _somewhere(rng: Rng, spare: float = 8.0) -> NDArray[np.float64]:
    return np.array([rng.uniform(spare, LENGTH - spare), rng.uniform(spare, HEIGHT - spare)])


def _scribble(rng: Rng, reach: float) -> NDArray[np.float64]:
    steps = rng.normal(0, 1, (14, 2)) * (reach / 5, reach / 14) + (reach / 14, 0)
    walk = np.cumsum(steps, axis=0)
    smooth = np.stack(
        [np.interp(np.linspace(0, 13, 60), np.arange(14), walk[:, axis]) for axis in (0, 1)], axis=1
    )
    return _somewhere(rng) + smooth


def pencil(sheet: Sheet, rng: Rng) -> None:
    """A few strokes of a pencil, grainy and grey."""
    canvas = sheet.canvas()
    lines = [_scribble(rng, float(rng.uniform(10, 45))) for _ in range(int(rng.integers(1, 5)))]
    if rng.random() < 0.4:
        at = _somewhere(rng)
        turn = np.linspace(0, 2 * np.pi, 40)
        lines.append(
            at
            + np.stack(
                [np.cos(turn) * rng.uniform(4, 14), np.sin(turn) * rng.uniform(3, 7)], axis=1
            )
        )
    sheet.lines(canvas, lines, float(rng.uniform(0.3, 0.7)))
    tooth = np.clip(0.75 + 0.35 * grain(rng, canvas.shape), 0, 1)
    sheet.ink(canvas, (0.13, 0.13, 0.14), float(rng.uniform(0.4, 0.9)) * tooth)


def ink(sheet: Sheet, rng: Rng) -> None:
    """Writing in ink, and sometimes a drop of it."""
    canvas = sheet.canvas()
    colour: Colour = (0.03, 0.04, 0.16) if rng.random() < 0.6 else (0.3, 0.02, 0.03)
    text = str(rng.choice(_WORDS))
    size = float(rng.uniform(3, 7))
    for number, letter in enumerate(text):
        if number == 0:
            start = _somewhere(rng, 20)
        left, top = sheet.pixels(start + np.array((number * size * 0.8, rng.normal(0, 0.3))))
        write(
            canvas,
            letter,
            left,
            top,
            (size * 0.55 * sheet.scale, size * sheet.scale),
            0.45 * sheet.scale,
        )
    if rng.random() < 0.4:
        sheet.fill(canvas, _blob(rng, _somewhere(rng), float(rng.uniform(0.6, 3.0))))
    sheet.ink(cv2.GaussianBlur(canvas, (0, 0), 0.06 * sheet.scale + 0.3), colour, 0.95)


def _blob(rng: Rng, at: NDArray[np.float64], radius: float) -> NDArray[np.float64]:
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    wobble = 1 + sum(
        rng.normal(0, 0.12 / order) * np.cos(order * turn + rng.uniform(0, 6))
        for order in (2, 3, 5)
    )
    return at + radius * np.stack([np.cos(turn) * wobble, np.sin(turn) * wobble], axis=1)


def stamp(sheet: Sheet, rng: Rng) -> None:
    """A rubber stamp: a word in a frame, turned, unevenly inked."""
    letters = typeset(str(rng.choice(_WORDS)), round(float(rng.uniform(4, 8)) * sheet.scale))
    page = np.pad(letters, round(1.5 * sheet.scale))
    cv2.rectangle(
        page, (2, 2), (page.shape[1] - 3, page.shape[0] - 3), 255, max(1, round(0.5 * sheet.scale))
    )
    turn = cv2.getRotationMatrix2D(
        (page.shape[1] / 2, page.shape[0] / 2), float(rng.normal(0, 12)), 1
    )
    reach = int(np.hypot(*page.shape))
    turn[:, 2] += (reach - page.shape[1]) / 2, (reach - page.shape[0]) / 2
    page = cv2.warpAffine(page, turn, (reach, reach))
    canvas = sheet.canvas()
    put(canvas, page, *(sheet.pixels(_somewhere(rng, 15)) - reach / 2))
    uneven = np.clip(0.6 + 0.25 * octaves(rng, canvas.shape, 3 * sheet.scale), 0.1, 1)
    colour: Colour = (0.2, 0.05, 0.35) if rng.random() < 0.6 else (0.5, 0.04, 0.06)
    sheet.ink(canvas, colour, uneven)


def stain(sheet: Sheet, rng: Rng) -> None:
    """A drop that dried: a tint with a darker rim, or the ring of a cup."""
    radius = float(rng.uniform(4, 26))
    at = _somewhere(rng, 4)
    canvas = sheet.canvas()
    sheet.fill(canvas, _blob(rng, at, radius))
    soft = cv2.GaussianBlur(canvas, (0, 0), 0.4 * sheet.scale).astype(np.float32) / 255
    inner = cv2.GaussianBlur(canvas, (0, 0), 2.2 * sheet.scale).astype(np.float32) / 255
    rim = np.clip(soft - inner, 0, 1) * soft
    body = 0.15 if rng.random() < 0.4 else float(rng.uniform(0.3, 0.8))
    colour: Colour = (0.42, 0.26, 0.12)
    sheet.ink(np.clip(soft * body + 1.3 * rim, 0, 1), colour, float(rng.uniform(0.3, 0.95)))


def rubber_band_mark(sheet: Sheet, rng: Rng) -> None:
    """The brown line that a rubber band left across the card."""
    canvas = sheet.canvas()
    x = float(rng.uniform(25, LENGTH - 25))
    lean = float(rng.normal(0, 2))
    sheet.lines(canvas, [np.array([(x, -1), (x + lean, HEIGHT + 1)])], float(rng.uniform(1.2, 3.5)))
    soft = cv2.GaussianBlur(canvas, (0, 0), 0.3 * sheet.scale)
    sheet.ink(soft, (0.4, 0.25, 0.1), float(rng.uniform(0.25, 0.7)))


def crease(sheet: Sheet, rng: Rng) -> None:
    """A line where the card was bent over and flattened again."""
    start = np.array([rng.uniform(0, LENGTH), 0 if rng.random() < 0.5 else HEIGHT])
    end = start + np.array(
        (
            rng.normal(0, 40),
            (HEIGHT if start[1] == 0 else -HEIGHT) * rng.uniform(0.3, 1.1),
        )
    )
    along = np.linspace(0, 1, 30)[:, None]
    line = start + along * (end - start) + rng.normal(0, 0.15, (30, 2))
    for offset, colour, strength in ((0.0, (0.35, 0.3, 0.25), 0.55), (0.35, (1.6, 1.6, 1.6), 0.25)):
        canvas = sheet.canvas()
        sheet.lines(canvas, [line + offset], 0.22)
        sheet.ink(canvas, colour, strength)


def dirt(sheet: Sheet, rng: Rng) -> None:
    """Specks, and grey along the edges where hands held the card."""
    cloud = octaves(rng, sheet.opaque.shape, 20 * sheet.scale)
    sheet.ink(np.clip(0.12 * cloud, 0, 1), (0.3, 0.27, 0.22), 1.0)
    canvas = sheet.canvas()
    for _ in range(int(rng.integers(5, 40))):
        sheet.fill(canvas, _blob(rng, _somewhere(rng, 1), float(rng.uniform(0.08, 0.35))))
    sheet.ink(canvas, (0.1, 0.08, 0.06), 0.8)


def staple(sheet: Sheet, rng: Rng) -> None:
    """A staple of bare wire."""
    at, turn = _somewhere(rng, 6), float(rng.uniform(0, np.pi))
    if rng.random() < 0.7:
        at[1] = rng.choice([2.5, 5.0, HEIGHT - 4])
        turn = float(rng.normal(0, 0.2))
    half = 6.0 * np.array([np.cos(turn), np.sin(turn)])
    for width, colour, cause in (
        (0.9, (0.2, 0.16, 0.12), None),
        (0.55, (0.55, 0.55, 0.56), "staple"),
    ):
        canvas = sheet.canvas()
        sheet.lines(canvas, [np.array([at - half, at + half])], width)
        if cause is None:
            sheet.ink(cv2.GaussianBlur(canvas, (0, 0), 0.2 * sheet.scale), colour, 0.6)
        else:
            sheet.lay_over(canvas, colour, cause)


def clip(sheet: Sheet, rng: Rng) -> None:
    """A clip of bent wire over one of the long edges."""
    x, from_top = float(rng.uniform(15, LENGTH - 15)), rng.random() < 0.7
    path = np.array(
        [(0, 22), (0, -1), (6, -1), (6, 26), (1.4, 26), (1.4, 5), (4.6, 5), (4.6, 20)], float
    )
    path += (x, 0)
    if not from_top:
        path[:, 1] = HEIGHT - path[:, 1]
    for width, colour in ((1.0, (0.25, 0.25, 0.27)), (0.5, (0.75, 0.75, 0.78))):
        canvas = sheet.canvas()
        sheet.lines(canvas, [path], width)
        sheet.lay_over(canvas, colour, "paper clip")


def tape(sheet: Sheet, rng: Rng) -> None:
    """Clear tape gone yellow: it lies over holes too, and what is behind shows through it."""
    at, turn = _somewhere(rng, 12), float(rng.choice([0, np.pi / 2]) + rng.normal(0, 0.1))
    along = np.array([np.cos(turn), np.sin(turn)]) * rng.uniform(12, 45)
    across = np.array([-np.sin(turn), np.cos(turn)]) * rng.uniform(5, 9)
    canvas = sheet.canvas()
    sheet.fill(
        canvas, [at - along - across, at + along - across, at + along + across, at - along + across]
    )
    share = canvas.astype(np.float32) / 255
    film = np.float32(rng.uniform(0.05, 0.22))
    holes = (1 - sheet.opaque) * share * (sheet.footprint > 127)
    colour = np.array((0.75, 0.62, 0.35), np.float32)
    sheet.albedo += (holes > 0.3)[..., None] * (colour - sheet.albedo)
    sheet.ink(canvas, (0.8, 0.66, 0.4), float(rng.uniform(0.2, 0.8)))
    sheet.opaque += holes * film


def label(sheet: Sheet, rng: Rng) -> None:
    """A paper label stuck on the card."""
    at = _somewhere(rng, 14)
    half = np.array([rng.uniform(7, 24), rng.uniform(4, 10)])
    canvas = sheet.canvas()
    corners = [at - half, at + half * (1, -1), at + half, at + half * (-1, 1)]
    sheet.fill(canvas, corners)
    colour: Colour = (0.85, 0.84, 0.8) if rng.random() < 0.6 else (0.8, 0.66, 0.4)
    sheet.lay_over(canvas, colour, "label", octaves(rng, canvas.shape, 4 * sheet.scale))
    letters = sheet.canvas()
    put(
        letters,
        typeset(str(rng.choice(_WORDS)), round(4 * sheet.scale)),
        *sheet.pixels(at - half * 0.7),
    )
    sheet.ink(np.minimum(letters, canvas), (0.05, 0.05, 0.1), 0.9)


def band(sheet: Sheet, rng: Rng) -> None:
    """A rubber band still around the card."""
    canvas = sheet.canvas()
    x = float(rng.uniform(20, LENGTH - 20))
    sheet.lines(
        canvas,
        [np.array([(x, -1), (x + rng.normal(0, 1), HEIGHT + 1)])],
        float(rng.uniform(1.5, 3)),
    )
    sheet.lay_over(canvas, (0.45, 0.25, 0.12), "rubber band", grain(rng, canvas.shape))


SLIGHT = {
    "pencil": pencil,
    "stamp": stamp,
    "stain": stain,
    "rubber-band mark": rubber_band_mark,
    "dirt": dirt,
}
STRONG = {"ink": ink, "staple": staple, "paper clip": clip, "tape": tape, "crease": crease}
HIDING = {"label": label, "rubber band": band}

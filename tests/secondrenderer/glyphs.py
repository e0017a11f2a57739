"""Letters: strokes of a pen on a grid of 5 by 7 for what a printing punch writes, and type."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Mask = NDArray[np.uint8]

# two digits are a point, x from 0 to 4 and y from 0 at the top to 6; a slash lifts the pen
STROKES = {
    "A": "06 02 20 42 46/04 44",
    "B": "06 00 30 41 42 33 03/33 44 45 36 06",
    "C": "41 30 10 01 05 16 36 45",
    "D": "00 06 26 44 42 20 00",
    "E": "40 00 06 46/03 33",
    "F": "40 00 06/03 33",
    "G": "41 30 10 01 05 16 36 45 43 23",
    "H": "00 06/40 46/03 43",
    "I": "10 30/20 26/16 36",
    "J": "40 45 36 16 05",
    "K": "00 06/40 03 46",
    "L": "00 06 46",
    "M": "06 00 23 40 46",
    "N": "06 00 46 40",
    "O": "10 30 41 45 36 16 05 01 10",
    "P": "06 00 30 41 42 33 03",
    "Q": "10 30 41 45 36 16 05 01 10/24 46",
    "R": "06 00 30 41 42 33 03/23 46",
    "S": "41 30 10 01 02 13 33 44 45 36 16 05",
    "T": "00 40/20 26",
    "U": "00 05 16 36 45 40",
    "V": "00 26 40",
    "W": "00 16 23 36 40",
    "X": "00 46/40 06",
    "Y": "00 23 40/23 26",
    "Z": "00 40 06 46",
    "0": "20 31 35 26 15 11 20",
    "1": "11 20 26/16 36",
    "2": "01 10 30 41 42 06 46",
    "3": "00 40 22 32 43 45 36 16 05",
    "4": "36 30 04 44",
    "5": "40 00 02 32 43 45 36 06",
    "6": "40 20 02 05 16 36 45 44 33 03",
    "7": "00 40 16",
    "8": "10 30 41 42 33 13 04 05 16 36 45 44 33/13 02 01 10",
    "9": "06 26 44 41 30 10 01 02 13 43",
    ".": "25 26",
    ",": "25 16",
    "-": "03 43",
    "+": "21 25/03 43",
    "/": "06 40",
    "&": "46 11 20 31 04 05 16 44",
    "$": "41 30 10 01 02 13 33 44 45 36 16 05/20 26",
    "*": "03 43/11 35/31 15",
    "(": "30 11 15 36",
    ")": "10 31 35 16",
    "=": "02 42/04 44",
    "'": "20 22",
    ":": "21 22/25 26",
    "#": "10 16/30 36/02 42/04 44",
    "%": "06 40/00 11/35 46",
}


@cache
def pen_lines(letter: str) -> tuple[NDArray[np.float64], ...]:
    """Return the strokes of a letter on a square from 0 to 1; none for what has no strokes."""
    text = STROKES.get(letter, "")
    return tuple(
        np.array([(int(point[0]) / 4, int(point[1]) / 6) for point in line.split()])
        for line in text.split("/")
        if line
    )


def write(
    canvas: Mask, letter: str, left: float, top: float, size: tuple[float, float], width: float
) -> None:
    """Draw a letter by strokes, all in pixels: left, top, width and height, width of the pen."""
    lines = [
        np.round((line * size + (left, top)) * 16).astype(np.int32) for line in pen_lines(letter)
    ]
    if lines:
        thick = max(1, round(width))
        cv2.polylines(
            canvas, lines, isClosed=False, color=255, thickness=thick, lineType=cv2.LINE_AA, shift=4
        )


@cache
def typeset(text: str, height: int) -> Mask:
    """Return a text in type, cut to its ink; `height` is the size of the type in pixels."""
    font = ImageFont.load_default(max(5, height))
    left, top, right, bottom = font.getbbox(text)
    size = (max(1, int(right - left) + 2), max(1, int(bottom - top) + 2))
    page = Image.new("L", size, 0)
    ImageDraw.Draw(page).text((1 - left, 1 - top), text, fill=255, font=font)
    return np.asarray(page)


def put(canvas: Mask, letters: Mask, left: float, top: float) -> None:
    """Lay a small mask into a canvas at whole pixels; what is outside of it is lost."""
    x, y = round(left), round(top)
    from_x, from_y = max(0, -x), max(0, -y)
    to_x = min(letters.shape[1], canvas.shape[1] - x)
    to_y = min(letters.shape[0], canvas.shape[0] - y)
    if to_x > from_x and to_y > from_y:
        part = canvas[y + from_y : y + to_y, x + from_x : x + to_x]
        np.maximum(part, letters[from_y:to_y, from_x:to_x], out=part)

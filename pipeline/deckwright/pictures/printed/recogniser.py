"""Recognise the characters of a printed line with a program that the machine may have."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from html import unescape
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import COLUMN_PITCH, COLUMNS, INCH, column_centres

Picture = NDArray[np.uint8]
Look = Literal["line", "apart", "raw"]
"""How a line is laid out to be recognised: as it is, or its characters apart, ten to a row; "raw"
leaves out what the program does to find a line."""

LOOKS: Final[tuple[Look, ...]] = ("line", "apart", "raw")
"""In the order in which they are taken."""

PROGRAM: Final = "tesseract"
PPI: Final = 300
"""Pixels per inch at which characters are recognised."""

LONGEST: Final = 30.0
"""Seconds after which a look is given up."""

_SCALE: Final = PPI / INCH
_AROUND: Final = 16
_A_ROW: Final = 10
_CELL: Final = round(COLUMN_PITCH * _SCALE)
_STEP: Final = round(2.2 * COLUMN_PITCH * _SCALE)
_DOWN: Final = 70
_LAYOUTS: Final = {"line": "7", "apart": "6", "raw": "13"}
_KNOWN: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-./,&$*+#%@=()':"
_CHARACTER: Final = re.compile(
    r"x_bboxes (\d+) (\d+) (\d+) (\d+); x_conf [\d.]+'>(?:<[^>]*>)*([^<\s]+)</"
)
# a dictionary of words would bend characters to words that a card does not hold
_SETTINGS: Final = (
    "hocr_char_boxes=1",
    "load_system_dawg=0",
    "load_freq_dawg=0",
    f"tessedit_char_whitelist={_KNOWN}",
)
_KEPT: Final = ("PATH", "TESSDATA_PREFIX", "LD_LIBRARY_PATH")

Place = Callable[[float, float], int]


class RecogniserError(Exception):
    """The characters of a line could not be recognised; no reading is touched by that."""


def find_recogniser() -> str | None:
    """Return the path of the program on this machine, None if it is not there."""
    return shutil.which(PROGRAM)


def can_recognise() -> bool:
    """Return whether the program that recognises characters is installed."""
    return find_recogniser() is not None


def recognise(line: Picture, look: Look, program: str, offset: float = 0.0) -> str:
    """Return 80 characters, blank where none was recognised.

    Args:
        line: uint8 (h, w), dark characters on white, from edge to edge of the card at `PPI`.
        look: how it is laid out.
        program: path of the executable.
        offset: mm by which the characters stand to the right of their columns.

    Raises:
        RecogniserError: the program failed or took too long.
    """
    middles = (column_centres() + offset) * _SCALE
    picture, place = (_apart if look == "apart" else _as_it_is)(line, middles)
    seen = [" "] * COLUMNS
    for along, down, character in _characters(_said(picture, _LAYOUTS[look], program)):
        column = place(along, down)
        if 0 <= column < COLUMNS and seen[column] == " ":
            seen[column] = character
    return "".join(seen)


def _as_it_is(line: Picture, middles: NDArray[np.float64]) -> tuple[Picture, Place]:
    """Return the line from its first column to its last, and which column lies where in it."""
    left = round(float(middles[0]) - 0.6 * _CELL)
    right = round(float(middles[-1]) + 0.6 * _CELL)
    cut = line[:, max(left, 0) : right]
    start = float(middles[0]) - max(left, 0) + _AROUND

    def place(along: float, down: float) -> int:
        del down
        return round((along - start) / (COLUMN_PITCH * _SCALE))

    return np.pad(cut, _AROUND, constant_values=255), place


def _apart(line: Picture, middles: NDArray[np.float64]) -> tuple[Picture, Place]:
    """Return the characters set apart, ten to a row, and which column lies where."""
    page = np.full(
        (COLUMNS // _A_ROW * _DOWN + 2 * _AROUND, _A_ROW * _STEP + 2 * _AROUND), 255, np.uint8
    )
    wide = np.pad(line, ((0, 0), (_CELL, _CELL)), constant_values=255)
    for column, middle in enumerate(middles):
        left = round(float(middle) - _CELL / 2) + _CELL
        cell = wide[:_DOWN, left : left + _CELL]
        row, step = divmod(column, _A_ROW)
        top, start = _AROUND + row * _DOWN, _AROUND + step * _STEP + (_STEP - _CELL) // 2
        page[top : top + cell.shape[0], start : start + cell.shape[1]] = cell

    def place(along: float, down: float) -> int:
        step = int((along - _AROUND) // _STEP)
        row = int((down - _AROUND) // _DOWN)
        return row * _A_ROW + step if 0 <= step < _A_ROW else -1

    return page, place


def _said(picture: Picture, layout: str, program: str) -> str:
    """Return what the program says of a picture."""
    _, data = cv2.imencode(".png", picture)
    settings = [part for setting in _SETTINGS for part in ("-c", setting)]
    command = [program, "stdin", "stdout", "--psm", layout, "--dpi", str(PPI), "-l", "eng"]
    # one thread, so that the same line gives the same characters whatever else runs
    surroundings = {name: os.environ[name] for name in _KEPT if name in os.environ}
    try:
        done = subprocess.run(  # noqa: S603 # no shell, and no part comes from a deck
            [*command, *settings, "hocr"],
            input=data.tobytes(),
            capture_output=True,
            timeout=LONGEST,
            check=True,
            env={**surroundings, "OMP_THREAD_LIMIT": "1", "LC_ALL": "C.UTF-8"},
        )
    except subprocess.TimeoutExpired as error:
        msg = f"{PROGRAM} took longer than {LONGEST:g} s for a printed line"
        raise RecogniserError(msg) from error
    except (OSError, subprocess.CalledProcessError) as error:
        msg = f"{PROGRAM} failed on a printed line: {_reason(error)}"
        raise RecogniserError(msg) from error
    return done.stdout.decode("utf-8", "replace")


def _reason(error: OSError | subprocess.CalledProcessError) -> str:
    if isinstance(error, OSError):
        return error.strerror or type(error).__name__
    lines = error.stderr.decode("utf-8", "replace").split("\n")
    said = "".join(sign if sign.isprintable() else "?" for sign in lines[0][:120])
    return f"exit code {error.returncode}, {said}"


def _characters(said: str) -> Iterator[tuple[float, float, str]]:
    """Return the middle of each character, along and down in pixels, and the character."""
    for found in _CHARACTER.finditer(said):
        left, top, right, bottom = (int(number) for number in found.groups()[:4])
        character = unescape(found[5]).upper()
        if len(character) == 1 and character in _KNOWN:
            yield (left + right) / 2, (top + bottom) / 2, character

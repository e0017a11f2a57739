"""A plain stroke font for the printed line: each character as a few lines on a grid of 4 x 6."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

GRID_WIDTH: Final = 4
GRID_HEIGHT: Final = 6

# each stroke a run of grid points "xy", strokes separated by blanks; y counts down from the top
_STROKES: Final = {
    "0": "103041453616050110 1432",
    "1": "112026 1636",
    "2": "01103041420646",
    "3": "0110304142334445361605 1333",
    "4": "46400444",
    "5": "4000024244453616 1605",
    "6": "41301001051636454333130405",
    "7": "00404126",
    "8": "103041423313020110 133344453616050413",
    "9": "4232130201103041453616",
    "A": "062046 1434",
    "B": "00063645443303 0030414233",
    "C": "4130100105163645",
    "D": "00062644422000",
    "E": "40000646 0333",
    "F": "400006 0333",
    "G": "41301001051636454323",
    "H": "0006 4046 0343",
    "I": "1030 2026 1636",
    "J": "2040 3035261605",
    "K": "0006 400346",
    "L": "000646",
    "M": "0600234046",
    "N": "06004640",
    "O": "10304145361605011020",
    "P": "060030414233 3303",
    "Q": "103041453616050110 3446",
    "R": "060030414233 3303 2346",
    "S": "413010010213334445361605",
    "T": "0040 2026",
    "U": "000516364540",
    "V": "002640",
    "W": "0016233640",
    "X": "0046 4006",
    "Y": "002340 2326",
    "Z": "00400646",
    "-": "1333",
    "+": "2125 0343",
    ".": "2526",
    ",": "2516",
    "/": "4006",
    "*": "1135 3115 0343",
    "$": "413010010213334445361605 2026",
    "(": "30121436",
    ")": "10323416",
    "=": "0242 0444",
    "'": "2022",
    "&": "4612112031320405162644",
    "@": "4433131524344130100105163646",
    "#": "1016 3036 0242 0444",
    "%": "4006 1011 3536",
    ":": "2122 2526",
    "?": "011030412324 2526",
}


@lru_cache(maxsize=256)
def strokes(character: str) -> tuple[NDArray[np.float64], ...]:
    """Return the strokes of a character, each float64 (n, 2) in 0..1; a frame if unknown."""
    if character == " ":
        return ()
    runs = _STROKES.get(character.upper(), "0040460600").split(" ")
    scale = np.array([GRID_WIDTH, GRID_HEIGHT], np.float64)
    pairs = [np.array([int(digit) for digit in run], np.float64).reshape(-1, 2) for run in runs]
    return tuple(points / scale for points in pairs)

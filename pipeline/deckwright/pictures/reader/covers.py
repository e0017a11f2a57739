"""Things that lie on a card and on nothing else, such as a label, by their tint and light.

Between the rows there are no holes, so whatever is seen there lies on the card or is its paper. A
stain lets the holes through; what covers them does not.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    COLUMN_PITCH,
    COLUMNS,
    ROW_PITCH,
    ROWS,
)
from deckwright.pictures.reader.contrast import field_basis
from deckwright.pictures.reader.curves import spread
from deckwright.pictures.reader.flatten import MARGIN, SCALE

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]
Places = NDArray[np.bool_]

_HALF: Final = (0.75 * COLUMN_PITCH, 0.9)  # mm about the middle of a cell
_DARK: Final = 16.0  # levels: below, the logarithm of light is mostly noise
_LIGHTER: Final = 0.06  # in the logarithm of light, or 6 %
_TINTED: Final = 0.05
_SPREADS: Final = 5.0  # of the card's own paper, that are no other paper
_LEAST: Final = 3  # cells: what covers a hole is as large
_NARROW: Final = 2  # cells down for each along
_STRIPE: Final = 0.6  # of a row of cells: a stripe is printed
_TRIES: Final = 4


def covered(flat: Picture, places: Floats, holes: Places) -> Places:
    """Return bool (12, 80), places where something other than the card's paper hides it.

    Args:
        flat: uint8 (h, w) or (h, w, 3), the flat card.
        places: float64 (12, 80, 2), middles of the places, pixels of the flat card.
        holes: bool (12, 80), what is surely a hole.
    """
    step = np.array([0, ROW_PITCH * SCALE / 2])
    middles = np.concatenate([places[:1] - step, places + step])[1:-1]  # (11, 80, 2)
    apart = _apart(_light(flat, middles), middles)
    light, tint = apart[..., 1], np.abs(apart[..., [0, 2]] - apart[..., 1:2]).max(axis=-1)
    odd = light > max(_LIGHTER, _SPREADS * spread(light - np.median(light)))
    odd |= tint > max(_TINTED, _SPREADS * spread(tint - np.median(tint)))
    odd[odd.mean(axis=1) > _STRIPE] = False
    count, piece = cv2.connectedComponents(odd.astype(np.uint8), connectivity=8)
    hidden = np.zeros((ROWS - 1, COLUMNS), np.bool_)
    through = holes[1:-1] & (piece[:-1] > 0) & (piece[:-1] == piece[1:])
    for number in range(1, count):
        cells = piece == number
        if cells.sum() >= _LEAST and not _narrow(cells) and not (through & cells[:-1]).any():
            hidden |= cells
    wide = hidden | _beside(hidden)
    found = np.zeros((ROWS, COLUMNS), np.bool_)
    found[:-1] |= wide
    found[1:] |= wide
    return found


def _narrow(cells: Places) -> bool:
    """Return whether cells make a stroke down the card: what is one lies across its edges too."""
    rows, columns = (np.flatnonzero(cells.any(axis=axis)) for axis in (1, 0))
    return bool(np.ptp(rows) + 1 > _NARROW * (np.ptp(columns) + 1))


def _beside(cells: Places) -> Places:
    """Return the neighbours at the left and at the right."""
    padded = np.pad(cells, ((0, 0), (1, 1)))
    return np.asarray(padded[:, :-2] | padded[:, 2:])


def _light(flat: Picture, middles: Floats) -> Floats:
    """Return float64 (11, 80, 3), the logarithm of the light of each cell, colour by colour."""
    grid = np.meshgrid(
        *(np.arange(-round(half * SCALE), round(half * SCALE) + 1, 3) for half in _HALF)
    )
    along, down = (axis.ravel() for axis in grid)
    spots = np.round(middles).astype(np.int64)
    x = np.clip(spots[..., :1] + along, 0, flat.shape[1] - 1)
    y = np.clip(spots[..., 1:] + down, 0, flat.shape[0] - 1)
    cells = np.median(flat[y, x], axis=2).astype(np.float64)
    if flat.ndim == 2:  # noqa: PLR2004 - no colours
        cells = np.repeat(cells[..., None], 3, axis=2)
    return np.asarray(np.log(cells + _DARK))


def _apart(light: Floats, middles: Floats) -> Floats:
    """Return how far each cell is from a smooth field through most of them, colour by colour."""
    basis = field_basis(((middles + 0.5) / SCALE - MARGIN).reshape(-1, 2))
    values = light.reshape(-1, 3)
    kept = np.ones(len(values), np.bool_)
    fitted = values
    for _ in range(_TRIES):
        fitted = basis @ np.linalg.lstsq(basis[kept], values[kept], rcond=None)[0]
        size = np.abs(values - fitted).max(axis=1)
        kept = size <= 3 * max(0.01, float(np.median(size)))
    return np.asarray((values - fitted).reshape(light.shape))

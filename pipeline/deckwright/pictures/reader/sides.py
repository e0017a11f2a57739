"""What print tells of the side and the way that are seen of a card.

The front of most stock is printed and the back is not. Where each column has its digits printed in
their rows, these alone tell how a card lies. A card that shows its back by the cut corner and yet
has print on it is either the picture of a front that was mirrored as a whole, or stock with its cut
at another corner, which would be read backwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.font import strokes
from deckwright.pictures.card.geometry import CARD_HEIGHT, ROWS, centres, column_centres
from deckwright.pictures.reader.flatten import MARGIN, SCALE
from deckwright.pictures.reader.measure import Evidence

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]

_LINE: Final = (0.9, 4.2)  # mm from the edge, where a printed line runs
_CELL: Final = (8, 12)  # pixels to each side of a character's middle, along and down
_INK: Final = 0.15  # of the contrast
_STROKES: Final = 0.04  # share of a cell that strokes of a character cover at least
_MANY: Final = 0.3  # of the columns: more than a note by hand takes
_MOST: Final = 0.5  # of the places
_PAPER: Final = 0.5  # of the contrast: beyond is a hole
_FIRST_DIGIT: Final = 2  # rows 12 and 11 carry none
_LEAST_FIT: Final = 0.55  # correlation of averaged digits; without print it is below 0.45
_LEAST_LEAD: Final = 0.1  # over the next best way
_STANDS_OUT: Final = 4.0
# for each of `orient.TURNS`: whether rows and columns run the other way
_FLIPS: Final = ((False, False), (True, True), (False, True), (True, False))
_DIGITS_SURE: Final = 0.4  # summed over the digits, of correlation
_DIGITS_FRONT: Final = -0.6  # most fronts are below, few backs without print
_LETTERS_SURE: Final = 2.5  # standard deviations
_ONE_SIDED: Final = "BCDEFGJKLNPRSZ2345679"  # unlike their mirror images
_LETTERS: Final = 15  # characters that can tell


@dataclass(frozen=True, slots=True, eq=False)
class Print:
    """The print on a flat card.

    Attributes:
        ink: float32 (h, w), the card on the scale of its contrast, darker than paper above 0.
        places: float32 (12, 80, h, w), the ink at the places of holes and what is about them.
        paper: bool (12, 80), places without a hole.
        noise: standard deviation of paper.
        fits: float64 (4, 10), how well the digit printed at the places of a row, averaged over
            them, looks like the one that belongs there, for each of `orient.TURNS`; nan for none.
        strength: how far the strokes of the averaged digits stand out from the paper about them.
    """

    ink: Layer
    places: Layer
    paper: NDArray[np.bool_]
    noise: float
    fits: Floats
    strength: float

    @property
    def way(self) -> int | None:
        """Return the place in `orient.TURNS` that printed digits tell; None where they do not."""
        if np.isnan(self.fits).all() or self.strength < _STANDS_OUT * self.noise:
            return None
        fits = np.nanmean(self.fits, axis=1)
        best = int(fits.argmax())
        lead = fits[best] - np.delete(fits, best).max()
        return best if fits[best] >= _LEAST_FIT and lead >= _LEAST_LEAD else None


def print_on(scale: Layer, evidence: Evidence, contrast: float, *, light: bool) -> Print:
    """Return the print on a card.

    Args:
        scale: float32 (h, w), the flat card on the scale of its contrast.
        evidence: what was measured of it.
        contrast: usual contrast of the card on that scale.
        light: whether the backing is lighter than the paper.
    """
    ink = (-scale if light else scale) / np.float32(contrast)
    paper = evidence.features[..., 0] < _PAPER
    places = _places(ink)
    fits, strength = _digits_on(places, paper)
    return Print(ink, places, paper, evidence.noise, fits, strength)


def print_doubts(seen: Print, *, low: bool, striped: bool) -> bool:
    """Return whether what looks like the back of a card carries print that is not mirrored.

    Args:
        seen: the print on it.
        low: whether the top edge of the front lies at the bottom of the picture.
        striped: whether a stripe runs along one of its long edges.
    """
    ink, paper, least = seen.ink, seen.paper, _INK + 3 * seen.noise
    rows = slice(_FIRST_DIGIT, None) if not low else slice(None, ROWS - _FIRST_DIGIT)
    # averaged over the card, print shows that is too faint to be seen place by place
    back, front = (3, 1) if low else (2, 0)
    told = float(np.nansum(seen.fits[back] - seen.fits[front]))
    if told < _DIGITS_FRONT:
        return True
    digits = _inked(seen.places[rows][paper[rows]], least)
    if len(digits) and digits.mean() > _MOST:
        return told < _DIGITS_SURE
    lines = [_cells(ink, low=at_bottom) for at_bottom in (False, True)]
    lined = [_inked(cells, least) for cells in lines]
    if max(seen.mean() for seen in lined) > _MANY:
        return _letters_told(lines[int(low)][lined[int(low)]], low=low) < _LETTERS_SURE
    return striped


def _cells(ink: Layer, *, low: bool) -> Layer:
    """Return float32 (80, h, w), the columns of the strip along the top or the bottom edge."""
    first, last = _LINE if not low else (CARD_HEIGHT - _LINE[1], CARD_HEIGHT - _LINE[0])
    top, bottom = (round((at + MARGIN) * SCALE) for at in (first, last))
    middles = np.round((column_centres() + MARGIN) * SCALE).astype(np.int64)
    over = np.arange(-_CELL[0], _CELL[0] + 1)
    return np.asarray(ink[top:bottom, middles[:, None] + over].transpose(1, 0, 2), np.float32)


def _places(ink: Layer) -> Layer:
    """Return float32 (12, 80, h, w), the places of holes and what is about them."""
    spots = np.round((centres() + MARGIN) * SCALE - 0.5).astype(np.int64)
    along, down = np.meshgrid(*(np.arange(-half, half + 1) for half in _CELL))
    patches = ink[spots[..., 1, None, None] + down, spots[..., 0, None, None] + along]
    return np.asarray(patches, np.float32)


def _inked(cells: Layer, least: float) -> NDArray[np.bool_]:
    """Return bool (n), the cells that have strokes in them."""
    if not len(cells):
        return np.zeros(0, np.bool_)
    flat = cells.reshape(len(cells), -1)
    middle, high = np.quantile(flat, [0.5, 1 - _STROKES], axis=1)
    return np.asarray(high - middle > least)


def _letters_told(cells: Layer, *, low: bool) -> float:
    """Return by how many standard deviations characters fit better as they are than mirrored."""
    if len(cells) < _LETTERS:
        return 0.0
    cells = cells[:, ::-1] if low else cells[:, :, ::-1]
    shapes = tuple(shape for character in _ONE_SIDED for shape in _shapes(character))
    apart = [
        _fit(cell, shapes) - _fit(np.ascontiguousarray(cell[:, ::-1]), shapes) for cell in cells
    ]
    return float(np.mean(apart) / (np.std(apart) / np.sqrt(len(apart)) + 1e-6))


def _digits_on(places: Layer, paper: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Return the fits (4, 10) of averaged digits, and how far these stand out."""
    glyphs = [
        places[row][paper[row]].mean(axis=0) if paper[row].any() else None for row in range(ROWS)
    ]
    apart = [float(glyph.max() - np.median(glyph)) for glyph in glyphs if glyph is not None]
    fits = np.full((len(_FLIPS), 10), np.nan)
    for turn, (low, mirrored) in enumerate(_FLIPS):
        for digit in range(10):
            row = digit + _FIRST_DIGIT
            glyph = glyphs[ROWS - 1 - row if low else row]
            if glyph is not None:
                glyph = glyph[:: -1 if low else 1, :: -1 if mirrored else 1]
                fits[turn, digit] = _fit(glyph, _shapes(str(digit)))
    return fits, float(np.median(apart)) if apart else 0.0


@lru_cache(maxsize=64)
def _shapes(character: str) -> tuple[Layer, ...]:
    """Return pictures of a character at several sizes, each float32 (h, w)."""
    found: list[Layer] = []
    for height in (11, 14, 17, 20):
        size = np.array([0.6 * height, height])
        shape = np.zeros((height + 5, round(size[0]) + 5), np.uint8)
        for stroke in strokes(character):
            points = np.round((stroke * size + 2) * 8).astype(np.int32)
            cv2.polylines(shape, [points], isClosed=False, color=[255], thickness=2, shift=3)
        soft = cv2.GaussianBlur(shape.astype(np.float32), (0, 0), 1.0)
        found.append(np.asarray(soft, np.float32))
    return tuple(found)


def _fit(glyph: Layer, shapes: tuple[Layer, ...]) -> float:
    """Return the best correlation of a picture with any of some shapes, at any place."""
    picture = np.ascontiguousarray(glyph, np.float32)
    fits = [
        cv2.matchTemplate(picture, shape, cv2.TM_CCOEFF_NORMED).max()
        for shape in shapes
        if shape.shape <= picture.shape and shape.shape[1] <= picture.shape[1]
    ]
    return float(max(fits, default=0.0))

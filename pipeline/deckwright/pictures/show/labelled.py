"""Pictures for a person who is asked what is punched: with the names of rows and columns."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.cards.holes import ROWS
from deckwright.pictures.card.geometry import COLUMNS, INCH, column_centres, row_centres
from deckwright.pictures.reader.flatten import Mapping
from deckwright.pictures.show.cutouts import column_picture, upright_card

Picture = NDArray[np.uint8]

_SIDE: Final = 34  # pixels for the names of rows
_HEAD: Final = 22  # pixels for the names of columns
_BAR: Final = 11  # pixels: half of a hole's length
_WHITE: Final = 255


def labelled_column(
    image: Picture, mapping: Mapping, column: int, doubted: NDArray[np.bool_]
) -> Picture:
    """Return a column with two neighbours on each side, rows and columns named, doubt marked.

    Args:
        image: the picture that was read.
        mapping: `CardReading.mapping`.
        column: from 1 to 80.
        doubted: bool (12), the rows that are not sure: a bar stands beside their names.
    """
    ppi, about = 200, 2
    strip = column_picture(image, mapping, column, about, ppi)
    sheet = _sheet(strip, left=_SIDE, top=_HEAD)
    _name_rows(sheet, ppi)
    step = strip.shape[1] / (2 * about + 1)
    for place in range(2 * about + 1):
        number = column - about + place
        if 1 <= number <= COLUMNS:
            _write(sheet, str(number), _SIDE + (place + 0.5) * step, _HEAD - 7, middle=True)
    left, right = (round(_SIDE + (about + side) * step) for side in (0, 1))
    for edge in (left, right):
        cv2.line(sheet, (edge, 0), (edge, _HEAD - 1), 0, 1)
    for down in row_centres()[doubted] * ppi / INCH + _HEAD:
        top, bottom = (round(down + side * _BAR) for side in (-1, 1))
        cv2.rectangle(sheet, (_SIDE - 7, top), (_SIDE - 3, bottom), 0, cv2.FILLED)
    return sheet


def labelled_card(image: Picture, mapping: Mapping) -> Picture:
    """Return the whole card upright, with rows and every fifth column named."""
    ppi = 150
    card = upright_card(image, mapping, ppi)
    sheet = _sheet(card, left=_SIDE, top=_HEAD)
    _name_rows(sheet, ppi)
    for number, along in enumerate(column_centres(), 1):
        spot = round(_SIDE + along * ppi / INCH)
        cv2.line(sheet, (spot, _HEAD - (6 if number % 5 == 0 else 3)), (spot, _HEAD - 1), 0, 1)
        if number % 5 == 0 or number == 1:
            _write(sheet, str(number), spot, _HEAD - 8, middle=True)
    return sheet


def _sheet(piece: Picture, left: int, top: int) -> Picture:
    """Return grey paper with a piece of a picture on it."""
    grey = cv2.cvtColor(piece, cv2.COLOR_RGB2GRAY) if piece.ndim == 3 else piece  # noqa: PLR2004
    sheet = np.full((grey.shape[0] + top, grey.shape[1] + left), _WHITE, np.uint8)
    sheet[top:, left:] = grey
    return sheet


def _name_rows(sheet: Picture, ppi: float) -> None:
    for row, down in zip(ROWS, row_centres(), strict=True):
        _write(sheet, str(row), 4, _HEAD + down * ppi / INCH + 5)


def _write(sheet: Picture, text: str, along: float, down: float, *, middle: bool = False) -> None:
    font, size = cv2.FONT_HERSHEY_SIMPLEX, 0.4
    width = cv2.getTextSize(text, font, size, 1)[0][0] if middle else 0
    spot = (round(along - width / 2), round(down))
    cv2.putText(sheet, text, spot, font, size, [0.0], 1, cv2.LINE_AA)

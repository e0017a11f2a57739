"""Pieces of a card's picture for a person to look at: its printed line, a column, the whole."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    COLUMN_PITCH,
    COLUMNS,
    INCH,
    column_centres,
)
from deckwright.pictures.reader.flatten import Mapping, flat_card

Picture = NDArray[np.uint8]

PRINTED: Final = (0.0, 0.0, CARD_WIDTH, 4.7)
"""Left, top, right, bottom in mm of the strip above the holes of row 12."""


def printed_line(image: Picture, mapping: Mapping, ppi: float = 200) -> Picture:
    """Return the strip along the top edge, upright and flat, with the channels of the picture."""
    return flat_card(image, mapping, PRINTED, ppi / INCH)


def column_picture(
    image: Picture, mapping: Mapping, column: int, about: int = 2, ppi: float = 200
) -> Picture:
    """Return a column with some of its neighbours, over the whole height of the card.

    Args:
        image: uint8 (h, w) or (h, w, 3), the picture that was read.
        mapping: `CardReading.mapping`.
        column: from 1 to 80.
        about: neighbours to be seen on each side.
        ppi: pixels per inch of the piece.

    Raises:
        ValueError: a card has no such column.
    """
    if not 1 <= column <= COLUMNS:
        msg = f"a card has no column {column}"
        raise ValueError(msg)
    middle = float(column_centres()[column - 1])
    reach = (about + 0.5) * COLUMN_PITCH
    return flat_card(image, mapping, (middle - reach, 0, middle + reach, CARD_HEIGHT), ppi / INCH)


def upright_card(image: Picture, mapping: Mapping, ppi: float = 100) -> Picture:
    """Return the whole card, upright and flat."""
    return flat_card(image, mapping, (0, 0, CARD_WIDTH, CARD_HEIGHT), ppi / INCH)

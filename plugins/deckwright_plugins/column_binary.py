"""Decks in column binary: two bytes a column, one bit a hole, so that every pattern is kept.

The first byte of a column holds rows 12, 11, 0, 1, 2, 3 and the second rows 4 to 9; rows 12 and 4
are worth 32, rows 3 and 9 are worth 1, the two high bits of each byte are zero. Source: bit table
of a survey data-processing page, and samples in a statistics-package manual; the record of 160
bytes for 80 columns: an operating-system data-management manual.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    ILLEGAL,
    PATTERNS,
    WIDEST,
    Alphabet,
    CodeTable,
    Medium,
    MediumConfig,
    OddCards,
    RawTray,
    Span,
    Survey,
    UnfitCodeError,
    first_columns,
    hookimpl,
    read_records,
    survey_records,
)

_LOWEST_SPARE = 0x40
_SPARE = 0xC0  # bits of a byte that belong to no row
# rows 12 to 3 and rows 4 to 9 in the two bytes of a column, the first byte high
_UPPER, _LOWER, _STEP = np.uint16(0x3F00), np.uint16(0x003F), np.uint16(2)


class ColumnBinaryConfig(MediumConfig):
    """All holes of a card: two bytes a column, six rows in each."""

    kind: str = "column-binary"
    """Which medium."""

    code: str = "ebcdic"
    """Which character the holes of a column stand for."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] = 80
    """Columns of every card; a record has twice as many bytes."""


class ColumnBinary(Medium[ColumnBinaryConfig]):
    """Cards hole by hole, two bytes a column."""

    kind = "column-binary"

    def __init__(self, config: ColumnBinaryConfig, code: CodeTable) -> None:
        """Take options and code.

        Raises:
            UnfitCodeError: the code has no holes.
        """
        super().__init__(config, code)
        if code.from_holes is None or code.to_holes is None:
            raise UnfitCodeError(
                code.name, "has no holes", "name a code that has, such as 'ebcdic'"
            )
        legal = code.from_holes >= 0
        self._characters = np.where(legal, code.from_holes, ILLEGAL).astype(np.uint8)
        self._punched = code.to_holes >= 0
        self._patterns = np.where(self._punched, code.to_holes, 0).astype(np.uint16)

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        width = self.config.record_length
        return survey_records(deck, 2 * width, width, cards_a_span)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        width = self.config.record_length
        for first, data in read_records(deck, span, 2 * width, cards_a_tray):
            pairs = np.frombuffer(data, ">u2").reshape(-1, width).astype(np.uint16)
            holes = (pairs & _UPPER) >> _STEP | (pairs & _LOWER)
            text = self._characters.take(holes)
            yield RawTray(first, text, holes, None, _odd(data, width))

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        if holes is None:
            own = self.own_text(text, alphabet)
            self.must_fit(own, self._punched, self.code.alphabet)
            holes = self._patterns.take(own)
        elif holes.size and int(holes.max()) >= PATTERNS:
            msg = f"{int(holes.max())} is not a pattern of twelve rows"
            raise ValueError(msg)
        return ((holes << _STEP & _UPPER) | (holes & _LOWER)).astype(">u2").tobytes()

    @override
    def suffix(self) -> str:
        return "cbn"


def _odd(data: bytes, width: int) -> list[OddCards]:
    """Return the cards with a spare bit set; some programs keep further codes there."""
    matrix = np.frombuffer(data, np.uint8).reshape(-1, 2 * width)
    if int(matrix.max()) < _LOWEST_SPARE:
        return []
    rows, places = first_columns((matrix & _SPARE) != 0)
    detail = "a bit that belongs to no row is set, so this is not plain column binary"
    records = [matrix[row].tobytes() for row in rows]
    return [OddCards(rows, "spare-bits", detail, (places + 1) // 2, records=records)]


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `column-binary`."""
    return [ColumnBinary]

"""Decks in column binary: one bit a hole, so that every pattern is kept.

The layouts of bits and their sources stand in `deckwright.bit_layout`. The published one has two
bytes a column: rows 12, 11, 0, 1, 2, 3, then rows 4 to 9, the two high bits of each byte zero.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    WIDEST,
    Alphabet,
    BitsName,
    CodeTable,
    HoleMedium,
    Medium,
    MediumConfig,
    OddCards,
    RawTray,
    Span,
    Survey,
    bit_layout,
    first_columns,
    hookimpl,
    read_records,
    survey_records,
)


class ColumnBinaryConfig(MediumConfig):
    """All holes of a card, one bit each."""

    kind: str = "column-binary"
    """Which medium."""

    code: str = "ebcdic"
    """Which character the holes of a column stand for."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] = 80
    """Columns of every card."""

    bits: BitsName = "two-bytes"
    """Which bit holds which row: the layout of bits."""

    spare: Literal["return", "note"] = "return"
    """A card with a bit set that belongs to no row is returned as it came; or kept and listed."""


class ColumnBinary(HoleMedium[ColumnBinaryConfig]):
    """Cards hole by hole, two bytes a column."""

    kind = "column-binary"

    def __init__(self, config: ColumnBinaryConfig, code: CodeTable) -> None:
        super().__init__(config, code)
        self._layout = bit_layout(config.bits)
        self._size = self._layout.size(config.record_length)

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        return survey_records(deck, self._size, self.config.record_length, cards_a_span)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        for first, data in read_records(deck, span, self._size, cards_a_tray):
            images = np.frombuffer(data, np.uint8).reshape(-1, self._size)
            holes = self._layout.holes(images, self.config.record_length)
            yield RawTray(first, self.text_of(holes), holes, None, self._odd(images))

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        holes = self.holes_of(text, holes, alphabet)
        return self._layout.images(holes).tobytes()

    @override
    def suffix(self) -> str:
        return "cbn"

    @override
    def card_bytes(self) -> int:
        return self._size

    def _odd(self, images: NDArray[np.uint8]) -> list[OddCards]:
        """Return the cards with a spare bit set; some programs keep further codes there."""
        spare = self._layout.spare(images, self.config.record_length)
        if spare is None:
            return []
        rows, columns = first_columns(spare)
        counts = spare[rows].sum(axis=1)
        severity: Literal["fatal", "note"] = "fatal" if self.config.spare == "return" else "note"
        return [
            OddCards(rows[same], "spare-bits", _detail(count), columns[same], severity, records)
            for count in np.unique(counts).tolist()
            for same in (np.flatnonzero(counts == count),)
            for records in ([images[row].tobytes() for row in rows[same]],)
        ]


def _detail(count: int) -> str:
    columns = "one column" if count == 1 else f"{count} columns"
    return f"a bit that belongs to no row is set in {columns}, so this is not plain column binary"


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `column-binary`."""
    return [ColumnBinary]

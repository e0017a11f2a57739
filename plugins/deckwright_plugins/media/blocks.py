"""Decks of fixed-length records without line ends, in any single-byte code."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
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
    strangers,
    survey_records,
)


class BlocksConfig(MediumConfig):
    """Records of one fixed length, without line ends, in any single-byte code."""

    kind: str = "blocks"
    """Which medium."""

    code: str = "cp037"
    """What a byte stands for."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] = 80
    """Bytes and columns of every record."""


class Blocks(Medium[BlocksConfig]):
    """Records of one length, one after another; one byte a column."""

    kind = "blocks"

    def __init__(self, config: BlocksConfig, code: CodeTable) -> None:
        """Take options and code.

        Raises:
            UnfitCodeError: the code has no bytes.
        """
        super().__init__(config, code)
        if code.from_raw is None or code.to_raw is None:
            raise UnfitCodeError(code.name, "has holes but no bytes", "use it with column-binary")
        self._from_raw = code.from_raw.tobytes()
        self._to_raw = code.to_raw.astype(np.uint8).tobytes()
        self._defined = code.alphabet.defined

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        length = self.config.record_length
        return survey_records(deck, length, length, cards_a_span)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        length = self.config.record_length
        for first, data in read_records(deck, span, length, cards_a_tray):
            text = np.frombuffer(data.translate(self._from_raw), np.uint8).reshape(-1, length)
            yield RawTray(first, text, None, None, self._odd(text))

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        self.must_be_characters(text, holes, alphabet)
        return self.own_text(text, alphabet).tobytes().translate(self._to_raw)

    @override
    def suffix(self) -> str:
        ebcdic = self.code.to_raw is not None and self.code.to_raw[ord("A")] == 0xC1  # noqa: PLR2004
        return "ebc" if ebcdic else "dat"

    @override
    def card_bytes(self) -> int:
        return self.config.record_length

    def _odd(self, text: NDArray[np.uint8]) -> list[OddCards]:
        if self._defined.all() or not strangers(text, self._defined):
            return []
        rows, columns = first_columns(~self._defined[text])
        detail = f"the code {self.code.name} has no character for a byte of this card"
        return [OddCards(rows, "undefined-character", detail, columns)]


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `blocks`."""
    return [Blocks]

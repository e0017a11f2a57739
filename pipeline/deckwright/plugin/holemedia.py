"""The shape of a medium whose cards are holes: patterns to characters of a code, and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.codetable import ILLEGAL, Alphabet, CodeTable, UnfitCodeError
from deckwright.cards.holes import PATTERNS
from deckwright.plugin.media import ConfigT, Medium


class HoleMedium(Medium[ConfigT]):
    """A medium that keeps every pattern of holes, whether or not the code has it."""

    def __init__(self, config: ConfigT, code: CodeTable) -> None:
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
    def has_holes(self) -> bool:
        return True

    def text_of(self, holes: NDArray[np.uint16]) -> NDArray[np.uint8]:
        """Return patterns (n, L) as internal bytes; 0x1A for a pattern that the code lacks."""
        return self._characters.take(holes)

    def holes_of(
        self, text: NDArray[np.uint8], holes: NDArray[np.uint16] | None, alphabet: Alphabet
    ) -> NDArray[np.uint16]:
        """Return the patterns (n, L) to write: those given, else those of the text in this code.

        Raises:
            UnwritableError: the code has no holes for a character.
            ValueError: a number given is not a pattern of twelve rows.
        """
        if holes is None:
            own = self.own_text(text, alphabet)
            self.must_fit(own, self._punched, self.code.alphabet)
            return self._patterns.take(own)
        if holes.size and int(holes.max()) >= PATTERNS:
            msg = f"{int(holes.max())} is not a pattern of twelve rows"
            raise ValueError(msg)
        return holes

"""A medium whose cards are punched in several codes: another medium, and codes by column."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.codeparts import hole_patterns, parts_on, raw_bytes, read_parts, with_parts
from deckwright.cards.codetable import ILLEGAL, Alphabet, CodePart, CodeTable, translation
from deckwright.plugin.media import BLANK, Medium, MediumConfig, UnwritableError, first_columns
from deckwright.plugin.values import OddCards, RawTray, Span, Survey

if TYPE_CHECKING:
    from deckwright.plugin.values import Closing

Bytes = NDArray[np.uint8]


class PartedMedium(Medium[MediumConfig]):
    """Reads cards through another medium, and some of their columns again in codes of their own.

    A card with a byte that is no character of its column's code is returned with its record, since
    the text cannot give that byte back.
    """

    kind = "parted"
    parts: tuple[CodePart, ...]
    """The parts, each with its code in that code's own alphabet."""

    def __init__(self, base: Medium[Any], parts: Sequence[CodePart]) -> None:
        """Take a medium and the parts, each with its code in that code's own alphabet.

        Raises:
            UnfitCodeError: the medium cannot hold a code, or there are too many characters.
        """
        inner = innermost(base)
        for part in parts:
            type(inner)(inner.config, part.code)  # the medium itself says what it cannot hold
        if isinstance(base, PartedMedium):
            parts = (*base.parts, *parts)
            base = base.base
        super().__init__(base.config, with_parts(base.code, parts))
        self._base, self.parts = base, tuple(parts)
        self.takes_folders, self.keeps_originals = base.takes_folders, base.keeps_originals
        self.effort = base.effort
        self._slots = translation(base.code.alphabet, self.code.alphabet)
        controls = [_is_control(char) for char in base.code.alphabet.characters]
        self._controls = np.array(controls) & (np.arange(256) >= 128)  # noqa: PLR2004 # not ASCII

    @property
    def base(self) -> Medium[Any]:
        """The medium that reads all other columns."""
        return self._base

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        return self._base.survey(deck, cards_a_span)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        for tray in self._base.read(deck, span, cards_a_tray):
            yield self._read_again(tray)

    @override
    def encode(
        self,
        text: Bytes,
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        if self.has_holes():
            if holes is None:
                own = self.own_text(text, alphabet)
                patterns = hole_patterns(self.code, own)
                self._must_be_written(own, patterns)
                holes = patterns.astype(np.uint16)
            plain = np.full(text.shape, BLANK, np.uint8)  # the holes say all
            return self._base.encode(plain, holes, lengths, self._base.code.alphabet)
        self.must_be_characters(text, holes, alphabet)
        own = self.own_text(text, alphabet)
        raw = raw_bytes(self.code, own)
        self._must_be_written(own, raw)
        table = self._base.code.from_raw
        assert table is not None  # noqa: S101 # a medium without holes has bytes
        return self._base.encode(table[raw], None, lengths, self._base.code.alphabet)

    @override
    def has_holes(self) -> bool:
        return self._base.has_holes()

    @override
    def use_folder(self, folder: Path) -> None:
        self._base.use_folder(folder)

    @override
    def record(self, record: bytes) -> bytes:
        return self._base.record(record)

    @override
    def like(self, deck: Path) -> Self:
        return type(self)(self._base.like(deck), self.parts)

    @override
    def original(self, deck: Path, card: int) -> Iterator[bytes]:
        return self._base.original(deck, card)

    @override
    def original_name(self, deck: Path, card: int) -> str:
        return self._base.original_name(deck, card)

    @override
    def returned_name(self, name: str) -> str:
        return self._base.returned_name(name)

    @override
    def end(self) -> bytes:
        return self._base.end()

    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        return self._base.finish(closing)

    @override
    def suffix(self) -> str:
        return self._base.suffix()

    @override
    def card_bytes(self) -> int | None:
        return self._base.card_bytes()

    @override
    def card_columns(self) -> int | None:
        return self._base.card_columns()

    @override
    def longest_line(self) -> int | None:
        return self._base.longest_line()

    def _read_again(self, tray: RawTray) -> RawTray:
        slots = np.where(self._slots < 0, ILLEGAL, self._slots).astype(np.uint8)
        text: Bytes = slots[tray.text]
        if tray.holes is not None:
            read_parts(self.code, text, tray.holes)
            return replace(tray, text=text)
        raw = raw_bytes(self._base.code, tray.text).astype(np.uint8)
        read_parts(self.code, text, raw)
        if tray.lengths is not None:
            # the medium fills a short record with blanks of the code of the other columns
            text[np.arange(text.shape[1]) >= tray.lengths[:, None]] = BLANK
        return replace(tray, text=text, odd=list(self._odd(tray, text, raw)))

    def _odd(self, tray: RawTray, text: Bytes, raw: Bytes) -> Iterator[OddCards]:
        """Yield what is odd once every column is read in its own code."""
        for odd in tray.odd:
            if odd.reason == "control-character":
                yield from self._controls_outside(odd, tray.text, text)
            elif odd.reason != "undefined-character":
                yield odd
        rows, columns = first_columns(text == ILLEGAL)
        if rows.size:
            sizes = np.full(len(text), text.shape[1]) if tray.lengths is None else tray.lengths
            whole = {  # the base has the whole of a record that is too long
                int(row): record
                for odd in tray.odd
                for row, record in zip(odd.rows, odd.records or [], strict=False)
            }
            records = [whole.get(int(r)) or raw[r, : sizes[r]].tobytes() for r in rows]
            detail = f"the code {self.code.name} has no character for a byte of this card"
            yield OddCards(rows, "undefined-character", detail, columns, records=records)

    def _controls_outside(self, odd: OddCards, before: Bytes, text: Bytes) -> Iterator[OddCards]:
        """Yield the cards of these that hold a control character under their columns' own codes.

        A control character of ASCII is one in every code of such a medium, and stays.
        """
        inside = np.zeros(text.shape, np.bool_)
        for part, cards in parts_on(self.code, text):
            inside[slice(None) if cards is None else np.flatnonzero(cards), part.place] = True
        ascii_too = np.array([_is_control(char) for char in self._base.code.alphabet.characters])
        ascii_too[9] = False
        bad = (ascii_too & ~self._controls)[before] | (self._controls[before] & ~inside)
        places, columns = first_columns(bad[odd.rows])
        if places.size:
            records = [odd.records[place] for place in places] if odd.records else None
            yield replace(odd, rows=odd.rows[places], columns=columns, records=records)

    def _must_be_written(self, own: Bytes, written: NDArray[np.int16]) -> None:
        """Check that every cell has holes or a byte.

        Raises:
            UnwritableError: one has none; names the code of its column.
        """
        rows, columns = first_columns(written < 0)
        if not rows.size:
            return
        row, column = int(rows[0]), int(columns[0])
        named = self._base.code.name
        for part, cards in parts_on(self.code, own[row : row + 1]):
            if part.first <= column <= part.last and (cards is None or cards[0]):
                named = part.code.name
        character = self.code.alphabet.characters[int(own[row, column - 1])] or ""
        raise UnwritableError(row, column, character, code=named, rows=rows)


def plain_code(medium: Medium[Any]) -> CodeTable:
    """Return the code of a medium for columns that have no code of their own."""
    inside = getattr(medium, "inside", None)
    if isinstance(medium, PartedMedium):
        return plain_code(medium.base)
    return plain_code(inside) if isinstance(inside, Medium) else medium.code


def innermost(medium: Medium[Any]) -> Medium[Any]:
    """Return the medium that reads the bytes, inside a wrapping and codes by column."""
    while True:
        inside = getattr(medium, "inside", None) or getattr(medium, "base", None)
        if not isinstance(inside, Medium):
            return medium
        medium = inside


def _is_control(character: str | None) -> bool:
    return character is not None and unicodedata.category(character) == "Cc"

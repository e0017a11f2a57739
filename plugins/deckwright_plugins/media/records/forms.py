"""The forms of records whose lengths differ: how each is gone through, and how it is written."""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright import WIDEST, CodeTable, UnfitCodeError
from deckwright_plugins.media.records.decimal import LONGEST, DecimalWalk, padded, with_lengths
from deckwright_plugins.media.records.labels import Labels
from deckwright_plugins.media.records.scan import DESCRIPTOR, LONGEST_BLOCK, described, in_blocks
from deckwright_plugins.media.records.segments import SpannedWalk, in_segments
from deckwright_plugins.media.records.walk import Walk, WordWalk

MOST = {
    "fixed-blocked": WIDEST,
    "decimal": LONGEST - DESCRIPTOR,
    "spanned": WIDEST,
    "variable": LONGEST_BLOCK - 2 * DESCRIPTOR,
    "variable-blocked": LONGEST_BLOCK - 2 * DESCRIPTOR,
}
"""The most columns of a card in each form."""


class Form(ABC):
    """A form of records. most: columns of the longest record, and why there can be no more."""

    most: tuple[int, str]

    @abstractmethod
    def walk(self, labels: Labels, place: int = 0) -> Walk:
        """Return what finds the records from a place on, bytes behind `labels.start`."""

    @abstractmethod
    def written(self, raw: NDArray[np.uint8], sizes: NDArray[np.int64]) -> bytes:
        """Return rows of raw bytes (n, W), each cut to its size (n), as records."""

    def blocks(self, labels: Labels, counted: int) -> int | None:
        """Return how many blocks a deck has, of which so many were met; None if not known."""
        raise NotImplementedError


class WordForm(Form):
    """Records with descriptor words, in blocks with words of their own or not."""

    def __init__(self, block: int, *, blocked: bool) -> None:
        self.most = (MOST["variable"], "more than a descriptor word can count")
        self._block, self._blocked = block or LONGEST_BLOCK, blocked

    @override
    def walk(self, labels: Labels, place: int = 0) -> Walk:
        return WordWalk(place, blocked=self._blocked)

    @override
    def written(self, raw: NDArray[np.uint8], sizes: NDArray[np.int64]) -> bytes:
        records = described(raw, sizes)
        return in_blocks(records, sizes, self._block) if self._blocked else records

    @override
    def blocks(self, labels: Labels, counted: int) -> int | None:
        return counted if self._blocked else None


class SpannedForm(Form):
    """Segments of records, in blocks."""

    def __init__(self, block: int) -> None:
        self.most = (WIDEST, "more than a card can have")
        self._block = block or LONGEST_BLOCK

    @override
    def walk(self, labels: Labels, place: int = 0) -> Walk:
        return SpannedWalk(place)

    @override
    def written(self, raw: NDArray[np.uint8], sizes: NDArray[np.int64]) -> bytes:
        segment = self._block - 2 * DESCRIPTOR
        if int(sizes.max(initial=0)) <= segment:  # each record is a segment
            return in_blocks(described(raw, sizes), sizes, self._block)
        payload = raw[np.arange(raw.shape[1]) < sizes[:, None]]
        segments, pieces = in_segments(payload, sizes, segment)
        return in_blocks(segments, pieces, self._block)

    @override
    def blocks(self, labels: Labels, counted: int) -> int | None:
        return counted


class DecimalForm(Form):
    """Records with lengths in digits, and padding."""

    def __init__(self, code: CodeTable, block: int, padding: str) -> None:
        """Take a code, bytes of every full block or 0, and characters that fill a block.

        Raises:
            UnfitCodeError: the code lacks a digit or the padding, or padding is a digit.
        """
        most = block - DESCRIPTOR if block else LONGEST
        self.most = (
            min(MOST["decimal"], most),
            "more than its block holds" if most < MOST["decimal"] else "more than four digits say",
        )
        self._block = block
        self._digits = _bytes_of(code, "0123456789")
        self._padding = _bytes_of(code, padding)
        if set(self._digits) & set(self._padding):
            raise UnfitCodeError(code.name, "has a digit for padding", "set another padding")

    @override
    def walk(self, labels: Labels, place: int = 0) -> Walk:
        block, full = self._blocks_of(labels)
        return DecimalWalk(self._digits, self._padding, place, block=block, full=full)

    @override
    def written(self, raw: NDArray[np.uint8], sizes: NDArray[np.int64]) -> bytes:
        records = with_lengths(raw, sizes, self._digits)
        if not self._block:
            return records
        return padded(records, sizes, self._block, self._padding[:1])

    @override
    def blocks(self, labels: Labels, counted: int) -> int | None:
        block, full = self._blocks_of(labels)
        if not block:
            return None
        least = -(-(labels.end - labels.start) // block)
        said = labels.number(("EOF1", "EOV1"), "blocks")
        return least if full or (said is not None and said < least) else None

    def _blocks_of(self, labels: Labels) -> tuple[int, bool]:
        """Return bytes of the longest block, or 0; and whether every block has so many.

        What label HDR2 says is a most. Where it makes up all bytes by the count of blocks in the
        label behind, every block must have so many.
        """
        if self._block:
            return self._block, True
        block = labels.number(("HDR2",), "block length") or 0
        said = labels.number(("EOF1", "EOV1"), "blocks")
        return block, bool(block) and said == (labels.end - labels.start) / block


def form_of(name: str, code: CodeTable, block: int, padding: str) -> Form:
    """Return the form of this name; block: bytes of a full block, or 0.

    Raises:
        UnfitCodeError: the code lacks what the form needs.
    """
    if name == "decimal":
        return DecimalForm(code, block, padding)
    return (
        SpannedForm(block)
        if name == "spanned"
        else WordForm(block, blocked=name == "variable-blocked")
    )


def _bytes_of(code: CodeTable, text: str) -> bytes:
    found = bytearray()
    for character in text:
        slot = -1
        if character in code.alphabet.characters and code.to_raw is not None:
            slot = int(code.to_raw[code.alphabet.characters.index(character)])
        if slot < 0:
            raise UnfitCodeError(code.name, f"has no {character!r}", "set padding or another code")
        found.append(slot)
    return bytes(found)

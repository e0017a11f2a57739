"""Layouts of bits: which bit of a binary card image holds which row of which column.

Sources. two-bytes: bit table of a survey data-processing page, and samples in a statistics-package
manual; its record of 160 bytes for 80 columns: an operating-system data-management manual. All
others from memory: two-bytes-swapped (a fault of copying that occurs), two-halves, the words in
both byte orders, packed, and the row images.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

BitsName = Literal[
    "two-bytes",
    "two-bytes-swapped",
    "two-halves",
    "word-high-big",
    "word-high-little",
    "word-low-big",
    "word-low-little",
    "packed",
    "rows-12-first",
    "rows-9-first",
]
"""The names of all layouts of bits."""

BIT_LAYOUTS: tuple[BitsName, ...] = get_args(BitsName)
"""The names of all layouts of bits, the published one first."""

Bytes = NDArray[np.uint8]
Holes = NDArray[np.uint16]

_Item = TypeVar("_Item", bound=np.generic)

_ROWS = 12
_SPARE = np.uint8(0xC0)  # bits of a six-bit byte that belong to no row
_SIX = np.uint16(0x003F)
_UPPER = np.uint16(0x3F00)
_STEP = np.uint16(2)
_LOW_NIBBLE = np.uint8(0x0F)


class BitLayout(ABC):
    """One layout. Arrays: images uint8 (n, bytes a card), holes uint16 (n, columns)."""

    @abstractmethod
    def size(self, width: int) -> int:
        """Return the bytes of a card of `width` columns."""

    @abstractmethod
    def holes(self, images: Bytes, width: int) -> Holes:
        """Return the patterns (n, width) of card images."""

    @abstractmethod
    def images(self, holes: Holes) -> Bytes:
        """Return the card images (n, size) of patterns; spare bits are zero."""

    @abstractmethod
    def spare(self, images: Bytes, width: int) -> NDArray[np.bool_] | None:
        """Return bool (n, width): columns with a bit set that belongs to no row.

        None where no card has one. A bit behind the last column belongs to the last column.
        """


@dataclass(frozen=True, slots=True)
class _SixBits(BitLayout):
    """Six rows in each of two bytes, in the order of the byte-order mark `order`."""

    order: Literal[">", "<"]

    @override
    def size(self, width: int) -> int:
        return 2 * width

    @override
    def holes(self, images: Bytes, width: int) -> Holes:
        pairs = _words(images, self.order)
        return (pairs & _UPPER) >> _STEP | (pairs & _SIX)

    @override
    def images(self, holes: Holes) -> Bytes:
        return _bytes((holes << _STEP & _UPPER) | (holes & _SIX), self.order)

    @override
    def spare(self, images: Bytes, width: int) -> NDArray[np.bool_] | None:
        if not images.size or int(images.max()) <= int(_SIX):
            return None
        return np.asarray((images.reshape(len(images), width, 2) & _SPARE).any(axis=2))


@dataclass(frozen=True, slots=True)
class _Halves(BitLayout):
    """All upper six-bit bytes of a card, then all lower ones."""

    @override
    def size(self, width: int) -> int:
        return 2 * width

    @override
    def holes(self, images: Bytes, width: int) -> Holes:
        upper = (images[:, :width] & np.uint8(_SIX)).astype(np.uint16)
        return upper << np.uint16(6) | (images[:, width:] & np.uint8(_SIX))

    @override
    def images(self, holes: Holes) -> Bytes:
        halves = [holes >> np.uint16(6), holes & _SIX]
        return np.concatenate(halves, axis=1).astype(np.uint8)

    @override
    def spare(self, images: Bytes, width: int) -> NDArray[np.bool_] | None:
        if not images.size or int(images.max()) <= int(_SIX):
            return None
        return np.asarray((images.reshape(len(images), 2, width) & _SPARE).any(axis=1))


@dataclass(frozen=True, slots=True)
class _Words(BitLayout):
    """Twelve bits at one end of a word of sixteen; step: bits below row 9."""

    order: Literal[">", "<"]
    step: int

    @override
    def size(self, width: int) -> int:
        return 2 * width

    @override
    def holes(self, images: Bytes, width: int) -> Holes:
        return _words(images, self.order) >> np.uint16(self.step) & np.uint16(0x0FFF)

    @override
    def images(self, holes: Holes) -> Bytes:
        return _bytes(holes << np.uint16(self.step), self.order)

    @override
    def spare(self, images: Bytes, width: int) -> NDArray[np.bool_] | None:
        outside = np.uint16(0xFFFF & ~(0x0FFF << self.step))
        if not int(np.bitwise_or.reduce(_words(images, self.order), axis=None) & outside):
            return None
        return np.asarray((_words(images, self.order) & outside) != 0)


@dataclass(frozen=True, slots=True)
class _Packed(BitLayout):
    """Twelve bits a column, two columns in three bytes; a last odd column leaves four bits."""

    @override
    def size(self, width: int) -> int:
        return (width * _ROWS + 7) // 8

    @override
    def holes(self, images: Bytes, width: int) -> Holes:
        triples = _padded(images, (width + 1) // 2 * 3).reshape(len(images), -1, 3)
        first, second, third = np.moveaxis(triples.astype(np.uint16), 2, 0)
        holes = np.empty((len(images), triples.shape[1], 2), np.uint16)
        holes[:, :, 0] = first << np.uint16(4) | second >> np.uint16(4)
        holes[:, :, 1] = (second & np.uint16(15)) << np.uint16(8) | third
        return np.ascontiguousarray(holes.reshape(len(images), -1)[:, :width])

    @override
    def images(self, holes: Holes) -> Bytes:
        count, width = holes.shape
        pairs = _padded(holes, (width + 1) // 2 * 2).reshape(count, -1, 2)
        triples = np.empty((count, pairs.shape[1], 3), np.uint8)
        triples[:, :, 0] = pairs[:, :, 0] >> np.uint16(4)
        triples[:, :, 1] = (pairs[:, :, 0] & np.uint16(15)) << np.uint16(4) | (
            pairs[:, :, 1] >> np.uint16(8)
        )
        triples[:, :, 2] = pairs[:, :, 1] & np.uint16(255)
        return np.ascontiguousarray(triples.reshape(count, -1)[:, : self.size(width)])

    @override
    def spare(self, images: Bytes, width: int) -> NDArray[np.bool_] | None:
        if width % 2 == 0 or not images.size:
            return None
        return _of_last_column((images[:, -1] & _LOW_NIBBLE) != 0, width)


@dataclass(frozen=True, slots=True)
class _RowImages(BitLayout):
    """One row of all columns after another; column 1 is the highest bit of a row's first byte."""

    top_first: bool

    @override
    def size(self, width: int) -> int:
        return _ROWS * ((width + 7) // 8)

    @override
    def holes(self, images: Bytes, width: int) -> Holes:
        rows = images.reshape(len(images), _ROWS, -1)
        holes = np.zeros((len(images), width), np.uint16)
        for place in range(_ROWS):
            bits = np.unpackbits(rows[:, self._place(place)], axis=1, count=width)
            holes |= bits.astype(np.uint16) << np.uint16(_ROWS - 1 - place)
        return holes

    @override
    def images(self, holes: Holes) -> Bytes:
        count, width = holes.shape
        rows = np.empty((count, _ROWS, (width + 7) // 8), np.uint8)
        for place in range(_ROWS):
            bits = (holes >> np.uint16(_ROWS - 1 - place) & np.uint16(1)).astype(np.uint8)
            rows[:, self._place(place)] = np.packbits(bits, axis=1)
        return rows.reshape(count, -1)

    @override
    def spare(self, images: Bytes, width: int) -> NDArray[np.bool_] | None:
        over = -width % 8
        if not over or not images.size:
            return None
        ends = images.reshape(len(images), _ROWS, -1)[:, :, -1]
        return _of_last_column(np.asarray((ends & np.uint8((1 << over) - 1)).any(axis=1)), width)

    def _place(self, row: int) -> int:
        """Return where a row, counted from row 12 down, stands in the image."""
        return row if self.top_first else _ROWS - 1 - row


_LAYOUTS: dict[str, BitLayout] = {
    "two-bytes": _SixBits(">"),
    "two-bytes-swapped": _SixBits("<"),
    "two-halves": _Halves(),
    "word-high-big": _Words(">", 4),
    "word-high-little": _Words("<", 4),
    "word-low-big": _Words(">", 0),
    "word-low-little": _Words("<", 0),
    "packed": _Packed(),
    "rows-12-first": _RowImages(top_first=True),
    "rows-9-first": _RowImages(top_first=False),
}


def bit_layout(name: BitsName) -> BitLayout:
    """Return a layout of bits by its name."""
    return _LAYOUTS[name]


def _words(images: Bytes, order: str) -> Holes:
    return np.ascontiguousarray(images).view(f"{order}u2").astype(np.uint16, copy=False)


def _bytes(words: Holes, order: str) -> Bytes:
    return words.astype(f"{order}u2").view(np.uint8)


def _padded(matrix: NDArray[_Item], size: int) -> NDArray[_Item]:
    """Return a matrix (n, k) with zeros behind, size columns in all."""
    if matrix.shape[1] == size:
        return np.ascontiguousarray(matrix)
    wide = np.zeros((len(matrix), size), matrix.dtype)
    wide[:, : matrix.shape[1]] = matrix
    return wide


def _of_last_column(odd: NDArray[np.bool_], width: int) -> NDArray[np.bool_] | None:
    if not odd.any():
        return None
    columns = np.zeros((len(odd), width), np.bool_)
    columns[:, -1] = odd
    return columns

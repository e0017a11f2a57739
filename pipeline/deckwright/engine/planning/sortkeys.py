"""Sort keys as unsigned words that compare as the keys do."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.values import Values
from deckwright.layout.digits import digit_number
from deckwright.layout.tray import Tray
from deckwright.plugin.stages import FieldShape, Known, SortKey

Words = NDArray[np.uint64]

_DAY_BIAS = 719_163  # days from 0001-01-01 to 1970-01-01, plus one
_DAY_BITS = 22  # up to 9999-12-31
_WORD_BITS = 64


@dataclass(frozen=True, slots=True)
class _Piece:
    """Some bits of a key. part: 0 = the flag for missing, 1.. = the value, 8 bytes a part."""

    key: int
    part: int
    bits: int


class KeyPlan:
    """How the keys of a sort are packed into words, major word first."""

    def __init__(self, keys: list[SortKey], known: Known) -> None:
        self.shapes: list[FieldShape] = [known.need(key.field) for key in keys]
        self.keys = [
            replace(key, values=shape.values) if shape.values and not key.values else key
            for key, shape in zip(keys, self.shapes, strict=True)
        ]
        self.words: list[list[_Piece]] = [[]]
        for index, (key, shape) in enumerate(zip(self.keys, self.shapes, strict=True)):
            for piece in _pieces(index, key, shape):
                used = sum(p.bits for p in self.words[-1])
                if used + piece.bits > _WORD_BITS:
                    self.words.append([])
                self.words[-1].append(piece)

    @property
    def fields(self) -> list[str]:
        """Return the names of the key fields."""
        return [key.field for key in self.keys]

    def encode(self, tray: Tray) -> Words:
        """Return uint64 (words, n): words that order cards as the keys say."""
        tray.load(key.field for key in self.keys)
        columns = [self._columns(i, tray.values(key.field)) for i, key in enumerate(self.keys)]
        out = np.zeros((len(self.words), len(tray)), np.uint64)
        for place, pieces in enumerate(self.words):
            for piece in pieces:
                if piece.bits < _WORD_BITS:
                    out[place] <<= np.uint64(piece.bits)
                out[place] |= columns[piece.key][piece.part]
        return out

    def _columns(self, index: int, values: Values) -> list[Words]:
        key, shape = self.keys[index], self.shapes[index]
        missing = values.missing
        flag = np.zeros(len(values), np.uint64)
        if missing is not None:
            flag[missing] = 1
        if key.missing_first:
            flag ^= np.uint64(1)
        parts = _value_parts(values, key, shape)
        if key.descending:
            widths = [piece.bits for piece in _pieces(index, key, shape)[1:]]
            parts = [_low_bits(width) - part for part, width in zip(parts, widths, strict=True)]
        if missing is not None and missing.any():
            for part in parts:
                part[missing] = 0
        return [flag, *parts]


def _low_bits(width: int) -> np.uint64:
    return np.uint64((1 << width) - 1)


def _is_number(key: SortKey, shape: FieldShape) -> bool:
    return shape.kind != "text" or (key.collate is None and shape.digits)


def _pieces(index: int, key: SortKey, shape: FieldShape) -> list[_Piece]:
    flag = _Piece(index, 0, 1)
    if key.values:
        return [flag, _Piece(index, 1, len(key.values).bit_length())]
    if not _is_number(key, shape):
        sizes = [min(8, shape.width - start) * 8 for start in range(0, shape.width, 8)]
        return [flag, *(_Piece(index, part, bits) for part, bits in enumerate(sizes, 1))]
    if shape.kind == "date":
        return [flag, _Piece(index, 1, _DAY_BITS)]
    if shape.kind == "text":
        return [flag, _Piece(index, 1, int(10**shape.width - 1).bit_length())]
    bits = min(_WORD_BITS, int(2 * 10**shape.width).bit_length()) if shape.width else _WORD_BITS
    return [flag, _Piece(index, 1, bits)]


def _value_parts(values: Values, key: SortKey, shape: FieldShape) -> list[Words]:
    if key.values:
        return [_listed(values.data.astype(np.uint8, copy=False), key.values)]
    if not _is_number(key, shape):
        return _text_parts(values.data.astype(np.uint8, copy=False), key.collate, shape.width)
    if shape.kind == "text":
        return [digit_number(values.data.astype(np.uint8, copy=False))[0]]
    numbers = values.data.astype(np.int64)
    if shape.kind == "date":
        return [(numbers + _DAY_BIAS).astype(np.uint64)]
    bits = _pieces(0, key, shape)[1].bits
    bias = 1 << (_WORD_BITS - 1) if bits == _WORD_BITS else 10**shape.width
    return [numbers.view(np.uint64) + np.uint64(bias)]


def _listed(text: NDArray[np.uint8], listed: tuple[str, ...]) -> Words:
    """Return the place of each text in a list; texts that are not listed come after all."""
    ranks = np.full(len(text), len(listed), np.uint64)
    width = text.shape[1]
    for rank, value in enumerate(listed):
        wanted = np.frombuffer(value.encode("latin-1", "replace").ljust(width)[:width], np.uint8)
        ranks[(text == wanted).all(axis=1)] = rank
    return ranks


def _text_parts(text: NDArray[np.uint8], collate: bytes | None, width: int) -> list[Words]:
    if collate is not None:
        text = np.frombuffer(collate, np.uint8)[text]
    parts = []
    for start in range(0, width, 8):
        size = min(8, width - start)
        block = np.zeros((len(text), 8), np.uint8)
        have = text[:, start : start + size]
        block[:, 8 - size : 8 - size + have.shape[1]] = have
        parts.append(block.view(">u8").reshape(-1).astype(np.uint64))
    return parts


def order_of(words: Words) -> NDArray[np.intp]:
    """Return the places (n) in ascending order of the words; equal words keep their order."""
    count = words.shape[1]
    if count < 2:  # noqa: PLR2004 # nothing to order
        return np.arange(count)
    if len(words) == 1:
        word = words[0]
        least = word.min()
        place_bits = int(count - 1).bit_length()
        if int(word.max() - least).bit_length() + place_bits <= _WORD_BITS:
            # the place in the low bits makes every word distinct, so a fast unstable sort is stable
            packed = ((word - least) << np.uint64(place_bits)) | np.arange(count, dtype=np.uint64)
            packed.sort()
            return np.asarray((packed & _low_bits(place_bits)).astype(np.intp))
        return np.asarray(np.argsort(word, kind="stable"))
    order: NDArray[np.intp] = np.lexsort(words[::-1])
    return order

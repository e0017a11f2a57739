"""Fields as Polars columns without copying, and expressions over them."""

from __future__ import annotations

import codecs
from collections.abc import Hashable, Mapping
from functools import lru_cache
from typing import Any, Protocol

import nanoarrow as na
import numpy as np
import polars as pl
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.values import ValueKind, Values
from deckwright.jobs.sqltext import names_in, parse_expression, result_type
from deckwright.layout.words import BLANK, Bytes

Mask = NDArray[np.bool_]

_PRECISION = 38
_ASCII = 0x80
_DELETE = 0x7F
_BYTES = 256
_LATIN = "".join(map(chr, range(_BYTES)))
_MOST = 2**63
# made once: a schema takes as long as the whole column of a small deck
_WHOLE, _DATE, _TEXT = na.int64(), na.date32(), na.large_string()


class CharacterSet(Hashable, Protocol):
    """What internal bytes stand for."""

    def decode(self, data: bytes) -> str:
        """Return internal bytes as text."""

    def encode(self, text: str) -> bytes:
        """Return text as internal bytes; ValueError when it has a character that is not there."""


def series(
    values: Values, name: str, alphabet: CharacterSet | None = None, *, trim: bool = True
) -> pl.Series:
    """Return a field as a Polars series: Int64, Decimal, Date or String; missing is null.

    Text loses its trailing blanks; holes are written as `12-1`, columns separated by a blank.

    Args:
        values: the field over n cards.
        name: name of the series.
        alphabet: what internal bytes stand for; None: Latin-1.
        trim: cut trailing blanks of text.
    """
    valid = _bitmap(values.missing)
    count = len(values)
    match values.kind:
        case "whole":
            return _arrow(name, _WHOLE, count, [valid, _flat(values.data, np.int64)])
        case "decimal":
            scaled = _flat(values.data, np.int64)
            wide = np.empty((count, 2), np.int64)
            wide[:, 0] = scaled
            wide[:, 1] = scaled >> np.int64(63)
            return _arrow(name, _decimal(values.scale), count, [valid, wide])
        case "date":
            return _arrow(name, _DATE, count, [valid, _flat(values.data, np.int32)])
        case "text":
            return _text_series(values, name, valid, alphabet, trim=trim)
        case "holes":
            texts = pl.Series(name, _hole_texts(values.data.astype(np.uint16)), dtype=pl.String)
            absent = np.zeros(count, np.bool_) if values.missing is None else values.missing
            return (
                pl.select(pl.when(pl.lit(pl.Series(~absent))).then(texts)).to_series().alias(name)
            )


def _flat(data: NDArray[np.generic], kind: type[np.generic]) -> NDArray[Any]:
    return np.ascontiguousarray(data, kind)


def _bitmap(missing: Mask | None) -> NDArray[np.uint8] | None:
    if missing is None:
        return None
    return np.packbits(~missing, bitorder="little")


@lru_cache(maxsize=64)
def _decimal(scale: int) -> Any:
    return na.decimal128(_PRECISION, scale)


def _arrow(name: str, schema: Any, count: int, buffers: list[Any]) -> pl.Series:
    if count == 0:
        return pl.Series(na.c_array([], schema)).alias(name)
    return pl.Series(na.c_array_from_buffers(schema, count, buffers)).alias(name)


def _text_series(
    values: Values,
    name: str,
    valid: NDArray[np.uint8] | None,
    alphabet: CharacterSet | None,
    *,
    trim: bool,
) -> pl.Series:
    cells = _flat(values.data, np.uint8)
    count, width = cells.shape
    if count == 0 or width == 0:
        return pl.Series(name, [""] * count, dtype=pl.String)
    raw: Any = cells
    ends = np.arange(width, (count + 1) * width, width)
    if int(cells.max()) >= _ASCII or not (alphabet is None or _ascii_is_whole(alphabet)):
        flat = cells.tobytes()
        raw = codecs.charmap_decode(flat, "strict", _characters(alphabet))[0].encode()
        if len(raw) != len(flat):
            text = raw.decode()
            points = np.frombuffer(text.encode("utf-32-le"), np.uint32)
            ends = np.cumsum(_utf8_sizes(points).reshape(count, width).sum(axis=1))
    offsets = np.zeros(count + 1, np.int64)
    offsets[1:] = ends
    out = _arrow(name, _TEXT, count, [valid, offsets, raw])
    padded = trim and bool((cells[:, -1] == BLANK).any())
    return out.str.strip_chars_end(" ") if padded else out


def _utf8_sizes(points: NDArray[np.uint32]) -> NDArray[np.int64]:
    """Return the bytes that code points (n) take in UTF-8 (RFC 3629, section 3)."""
    size = np.ones(len(points), np.int64)
    for least in (0x80, 0x800, 0x10000):
        size += points >= least
    return size


@lru_cache(maxsize=16)
def _ascii_is_whole(alphabet: CharacterSet) -> bool:
    """Return whether the alphabet has all of ASCII, so that such bytes are UTF-8 as they are."""
    return alphabet.decode(bytes(range(_ASCII))) == "".join(map(chr, range(_ASCII)))


@lru_cache(maxsize=16)
def _characters(alphabet: CharacterSet | None) -> str:
    """Return the 256 characters of internal bytes; U+FFFD for none.

    A printable ASCII character is itself even where the code of the cards lacks it, since words
    that a layout gives (card types, flags) are no text of a card.
    """
    if alphabet is None:
        return _LATIN
    own = alphabet.decode(bytes(range(_BYTES)))
    return "".join(chr(byte) if BLANK <= byte < _DELETE else own[byte] for byte in range(_BYTES))


def _hole_texts(patterns: NDArray[np.uint16]) -> list[str]:
    known = {int(pattern): _hole_text(int(pattern)) for pattern in np.unique(patterns)}
    return [" ".join(known[int(pattern)] for pattern in row) for row in patterns]


def _hole_text(pattern: int) -> str:
    rows = ["12", "11", *map(str, range(10))]
    return "-".join(row for bit, row in enumerate(rows) if pattern & (0x800 >> bit)) or "blank"


def values_of(
    column: pl.Series,
    kind: ValueKind,
    scale: int,
    width: int,
    alphabet: CharacterSet | None = None,
) -> tuple[Values, Mask]:
    """Return a Polars series as values of a kind, exactly.

    Args:
        column: the series (n).
        kind: text, whole, decimal or date.
        scale: digits after the point, for decimal.
        width: characters of a text; blanks fill it on the right.
        alphabet: what internal bytes stand for; None: Latin-1.

    Returns:
        The values, and bool (n): true where one does not fit exactly; it is then missing.

    Raises:
        TypeError: the series cannot be values of this kind at all.
    """
    absent = column.is_null().to_numpy()
    if kind == "holes":
        msg = f"holes cannot be made from a column such as {column.name!r}"
        raise TypeError(msg)
    if kind == "text":
        data, misfit = _to_cells(column, width, alphabet)
    elif kind == "date":
        data, misfit = _to_days(column)
    else:
        data, misfit = _to_scaled(column, scale if kind == "decimal" else 0)
    missing: Mask = absent | misfit
    if missing.any():
        data[missing] = BLANK if kind == "text" else 0
    return Values(kind, data, missing if missing.any() else None, scale), misfit


def _to_cells(
    column: pl.Series, width: int, alphabet: CharacterSet | None
) -> tuple[NDArray[Any], Mask]:
    text = column.cast(pl.String).fill_null("")
    misfit: Mask = (text.str.len_chars() > width).to_numpy().copy()
    if misfit.any():
        text = text.str.slice(0, width)
    whole = str(text.str.pad_end(width, " ").str.join("").item() or "")
    points = np.frombuffer(whole.encode("utf-32-le"), np.uint32)
    if len(points) == 0 or int(points.max()) < _ASCII:
        return points.astype(np.uint8).reshape(len(column), width), misfit
    cells, unknown = _encoded(points, alphabet)
    cells = cells.reshape(len(column), width)
    return cells, misfit | unknown.reshape(len(column), width).any(axis=1)


def _encoded(points: NDArray[np.uint32], alphabet: CharacterSet | None) -> tuple[Bytes, Mask]:
    """Return code points (n) as internal bytes, and where there is none."""
    kinds, places = np.unique(points, return_inverse=True)
    table = np.full(len(kinds), BLANK, np.uint8)
    unknown = np.zeros(len(kinds), np.bool_)
    for place, point in enumerate(kinds):
        character = chr(int(point))
        try:
            byte = character.encode("latin-1") if alphabet is None else alphabet.encode(character)
            table[place] = byte[0]
        except ValueError:
            unknown[place] = True
    return table[places], unknown[places]


def _to_scaled(column: pl.Series, scale: int) -> tuple[NDArray[Any], Mask]:
    if column.dtype == pl.Boolean:
        column = column.cast(pl.Int64)
    if column.dtype.is_integer():
        column = column.cast(pl.Decimal(_PRECISION, 0))
    elif not (column.dtype.is_float() or column.dtype == pl.String or column.dtype.is_decimal()):
        msg = f"column {column.name!r} holds {column.dtype}, which is no number"
        raise TypeError(msg)
    if isinstance(column.dtype, pl.Decimal):
        quick = _rescaled(column, column.dtype.scale, scale)
        if quick is not None:
            return quick
    absent = column.is_null()
    exact = column.cast(pl.Decimal(_PRECISION, scale), strict=False)
    if column.dtype == pl.String:
        column = column.cast(pl.Decimal(_PRECISION, _STRING_SCALE), strict=False)
    back = exact.cast(column.dtype, strict=False)
    misfit = ((exact.is_null() & ~absent) | (back != column).fill_null(value=False)).to_numpy()
    physical = exact.to_physical()
    far = (physical.is_between(-_MOST, _MOST - 1)).fill_null(value=True).to_numpy()
    misfit = misfit | ~far
    return physical.cast(pl.Int64, strict=False).fill_null(0).to_numpy().copy(), misfit


_STRING_SCALE = 18


def _rescaled(column: pl.Series, had: int, scale: int) -> tuple[NDArray[Any], Mask] | None:
    """Return decimals of `had` decimal places with `scale` places; None = not in 64 bits."""
    narrow = column.to_physical().cast(pl.Int64, strict=False)
    if narrow.null_count() != column.null_count():
        return None
    numbers = narrow.fill_null(0).to_numpy()
    if had == scale:
        return numbers.copy(), np.zeros(len(numbers), np.bool_)
    step = np.int64(10 ** abs(had - scale))
    if had > scale:
        fewer = numbers // step
        return fewer, fewer * step != numbers
    # the least number has no absolute value in 64 bits
    if len(numbers) and max(int(numbers.max()), -int(numbers.min())) > _MOST // int(step):
        return None
    return numbers * step, np.zeros(len(numbers), np.bool_)


def _to_days(column: pl.Series) -> tuple[NDArray[Any], Mask]:
    absent = column.is_null()
    if column.dtype == pl.String:
        column = column.str.to_date("%Y-%m-%d", strict=False)
    elif column.dtype not in (pl.Date, pl.Null):
        msg = f"column {column.name!r} holds {column.dtype}, which is no date"
        raise TypeError(msg)
    misfit = (column.is_null() & ~absent).to_numpy()
    days = column.cast(pl.Date).to_physical().fill_null(0).to_numpy()
    return days.astype(np.int32), misfit


class Expression:
    """A Polars SQL expression over the fields of one card, by its text."""

    def __init__(self, text: str) -> None:
        """Parse the expression.

        Raises:
            ValueError: it does not parse, needs other cards, or depends on the clock.
        """
        self.text = text
        self.expression = parse_expression(text)
        self.names = names_in(self.expression)

    def evaluate(self, frame: pl.DataFrame) -> pl.Series:
        """Return what the expression makes of each row of a frame that has the fields it names.

        Raises:
            ValueError: the fields are not of kinds that the expression can work on; one sentence.
        """
        try:
            out = frame.select(self.expression.alias("value")).to_series()
        except pl.exceptions.PolarsError as error:
            message = " ".join(str(error).split())
            msg = f"the expression {self.text.strip()!r} cannot be worked out: {message}"
            raise ValueError(msg) from error
        if len(out) != frame.height:  # a constant
            out = out.extend_constant(out.item(), frame.height - 1) if frame.height else out.clear()
        return out

    def type_on(self, types: Mapping[str, pl.DataType]) -> pl.DataType:
        """Return of what type it is on fields of these types, all that it names among them.

        Raises:
            ValueError: it cannot be worked out on such fields; one sentence.
        """
        return result_type(self.text, self.expression, types)

    @override
    def __reduce__(self) -> tuple[type[Expression], tuple[str]]:
        """Travel between processes by its text."""
        return Expression, (self.text,)

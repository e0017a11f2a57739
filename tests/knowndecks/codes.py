"""The holes and bytes of characters, from the published standards, and media made by hand."""

from __future__ import annotations

import gzip

import numpy as np
from numpy.typing import NDArray

from .amounts import Random, one_of
from .model import Cells, Patterns

ROWS = ("12", "11", "0", "1", "2", "3", "4", "5", "6", "7", "8", "9")
SPECIALS = {
    "&": "12",
    "-": "11",
    "/": "0-1",
    ".": "12-8-3",
    "<": "12-8-4",
    "(": "12-8-5",
    "+": "12-8-6",
    "$": "11-8-3",
    "*": "11-8-4",
    ")": "11-8-5",
    ";": "11-8-6",
    ",": "0-8-3",
    "%": "0-8-4",
    "?": "0-8-7",
    ":": "8-2",
    "#": "8-3",
    "@": "8-4",
    "'": "8-5",
    "=": "8-6",
    "{": "12-0",
    "}": "11-0",
}
"""Holes of the signs used here in the 8-bit card code of ANSI X3.26, as EBCDIC reads them."""

BITS = (
    "two-bytes",
    "two-bytes-swapped",
    "two-halves",
    "word-high-big",
    "word-high-little",
    "word-low-big",
    "packed",
    "rows-12-first",
)


def _pattern(rows: str) -> int:
    return sum(1 << (11 - ROWS.index(row)) for row in rows.split("-"))


def _table() -> Patterns:
    table = np.zeros(256, np.uint16)
    for digit in range(10):
        table[ord(str(digit))] = _pattern(str(digit))
    for zone, letters, first in (
        ("12", "ABCDEFGHI", 1),
        ("11", "JKLMNOPQR", 1),
        ("0", "STUVWXYZ", 2),
    ):
        for number, letter in enumerate(letters, start=first):
            table[ord(letter)] = _pattern(f"{zone}-{number}")
    for sign, rows in SPECIALS.items():
        table[ord(sign)] = _pattern(rows)
    return table


PATTERNS = _table()
"""The holes of a character, by its ASCII number."""


def punched(text: Cells) -> Patterns:
    """The holes of characters."""
    return PATTERNS[text]


def lines(text: Cells, *, ragged: bool, end: bytes) -> bytes:
    """A card a line; ragged lines end with their last character that is no blank."""
    made = [row.tobytes() for row in text]
    if ragged:
        made = [line.rstrip(b" ") for line in made]
    return b"".join(line + end for line in made)


def in_code(text: Cells, code: str) -> list[bytes]:
    """The bytes of each card in a code page."""
    return [row.tobytes().decode("ascii").encode(code) for row in text]


def variable(text: Cells, code: str, *, block: int, form: str) -> bytes:
    """Records of their own lengths, trailing blanks cut, each behind its length.

    Args:
        text: The cards.
        code: Code page.
        block: Bytes of a block, for `variable-blocked`.
        form: `variable` and `variable-blocked`: descriptor words of four bytes; `decimal`: four
            digits.
    """
    records = []
    for row in text:
        cut = row.tobytes().rstrip(b" ") or b" "
        record = cut.decode("ascii").encode(code)
        if form == "decimal":
            records.append(f"{len(record) + 4:04}".encode(code) + record)
        else:
            records.append((len(record) + 4).to_bytes(2, "big") + b"\0\0" + record)
    if form != "variable-blocked":
        return b"".join(records)
    made, held = b"", b""
    for record in [*records, b""]:
        if not record or len(held) + len(record) + 4 > block:
            made += (len(held) + 4).to_bytes(2, "big") + b"\0\0" + held
            held = b""
        held += record
    return made


def column_binary(holes: Patterns, bits: str) -> bytes:
    """The holes of every card, bit by bit, in one of `BITS`."""
    high, low = (holes >> 6).astype(np.uint8), (holes & 63).astype(np.uint8)
    match bits:
        case "two-bytes":
            made = np.stack([high, low], axis=2)
        case "two-bytes-swapped":
            made = np.stack([low, high], axis=2)
        case "two-halves":
            made = np.hstack([high, low])
        case "word-high-big":
            return (holes << 4).astype(">u2").tobytes()
        case "word-high-little":
            return (holes << 4).astype("<u2").tobytes()
        case "word-low-big":
            return holes.astype(">u2").tobytes()
        case "packed":
            return np.packbits(_bits(holes).reshape(len(holes), -1), axis=1).tobytes()
        case _:
            turned = _bits(holes).transpose(0, 2, 1).reshape(len(holes), -1)
            return np.packbits(turned, axis=1).tobytes()
    return made.tobytes()


def _bits(holes: Patterns) -> NDArray[np.uint8]:
    return ((holes[:, :, None] >> np.arange(11, -1, -1)) & 1).astype(np.uint8)


def make(rng: Random, text: Cells, holes: Patterns) -> tuple[bytes, dict[str, object], str]:
    """The bytes of a deck in a medium that suits it, the medium as in a job, and its code."""
    width = text.shape[1]
    multi = bool((holes != punched(text)).any())
    drawn = float(rng.random())
    if multi or (width == 80 and drawn < 0.14):
        bits = one_of(rng, *BITS)
        medium: dict[str, object] = {"kind": "column-binary", "code": "ebcdic", "bits": bits}
        return column_binary(holes, bits), medium, "ebcdic"
    if drawn < 0.34:
        code = one_of(rng, "cp037", "cp037", "cp037", "cp500", "ascii")
        medium = {"kind": "blocks", "code": code, "record_length": width}
        return b"".join(in_code(text, code)), medium, code
    if drawn < 0.42:
        form = one_of(rng, "variable-blocked", "variable-blocked", "variable", "decimal")
        code = "ascii" if form == "decimal" else "cp037"
        medium = {"kind": "records", "form": form, "code": code, "record_length": width}
        return variable(text, code, block=4000, form=form), medium, code
    ragged = bool(rng.random() < 0.5)
    end = b"\r\n" if rng.random() < 0.3 else b"\n"
    medium = {"kind": "text", "code": "ascii"}
    data = lines(text, ragged=ragged, end=end)
    if drawn > 0.97:
        return gzip.compress(data, mtime=0), {"kind": "wrapped", "inside": medium}, "ascii"
    return data, medium, "ascii"

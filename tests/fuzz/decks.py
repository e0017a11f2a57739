"""Readers to fuzz, with good small decks of each."""

from __future__ import annotations

import gzip
import io
import random
import tarfile
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import zstandard

from deckwright import BIT_LAYOUTS, Medium
from deckwright.cards.codes import load_code
from deckwright_plugins.media.blocks import Blocks
from deckwright_plugins.media.column_binary import ColumnBinary
from deckwright_plugins.media.records.medium import Records
from deckwright_plugins.media.text.medium import TextLines
from deckwright_plugins.media.transcript.medium import Transcript
from deckwright_plugins.media.wrapped import Wrapped

KINDS: dict[str, type[Medium[Any]]] = {
    kind.kind: kind for kind in (TextLines, Blocks, ColumnBinary, Records, Transcript)
}
CARDS = 6
WIDTH = 9
_TABLES: tuple[dict[str, Any], ...] = (
    {"kind": "text"},
    {"kind": "text", "record_length": "longest", "shorter": "note"},
    {"kind": "text", "code": "cp1252", "shorter": "return", "tabs": "keep"},
    {"kind": "text", "longer": "error", "line_end": "crlf"},
    {"kind": "blocks"},
    {"kind": "blocks", "code": "ascii", "record_length": 7},
    *({"kind": "column-binary", "bits": bits, "spare": "note"} for bits in BIT_LAYOUTS),
    {"kind": "column-binary", "code": "scientific-48"},
    {"kind": "records", "form": "variable", "shorter": "note"},
    {"kind": "records", "form": "variable-blocked", "record_length": "longest"},
    {"kind": "records", "form": "variable-blocked", "labels": "standard", "shorter": "return"},
    {"kind": "records", "form": "variable", "labels": "standard", "longer": "error"},
    {"kind": "records", "form": "fixed-blocked", "labels": "standard"},
    {"kind": "transcript", "shorter": "note"},
    {"kind": "transcript", "between": "count"},
    {"kind": "transcript", "form": "rows", "order": "9-first"},
    {"kind": "transcript", "form": "rows", "between": "count", "longer": "error"},
    {"kind": "records", "form": "decimal", "code": "ascii", "block_length": 20},
    {"kind": "records", "form": "decimal", "labels": "standard", "shorter": "note"},
    {"kind": "records", "form": "spanned", "block_length": 14, "record_length": "longest"},
)
_INSIDE: tuple[dict[str, Any], ...] = (
    {"kind": "text", "record_length": WIDTH},
    {"kind": "records", "form": "variable", "record_length": WIDTH},
)


@dataclass(slots=True)
class Reader:
    """A medium to fuzz. goods: decks to change; wrap: puts a changed deck into its wrapping."""

    name: str
    medium: Medium[Any]
    goods: list[bytes] = field(default_factory=list)
    wrap: Callable[[bytes], bytes] | None = None
    inner: str = ""


def made(options: Mapping[str, Any]) -> Medium[Any]:
    """Return the medium that a table describes."""
    kind = KINDS[options["kind"]]
    config = kind.config_model(**options)
    return kind(config, load_code(config.code))


def readers(folder: Path) -> dict[str, list[Reader]]:
    """Return every reader by kind; folder: where wrapped decks are expanded."""
    found: dict[str, list[Reader]] = {}
    for number, table in enumerate(_TABLES):
        options = {"record_length": WIDTH, **table}
        reader = Reader(f"{table['kind']}-{number}", made(options), [good_deck(options)])
        found.setdefault(table["kind"], []).append(reader)
    for wrapping, wrap in WRAPPERS.items():
        for inside in _INSIDE:
            config = Wrapped.config_model(inside=inside)
            medium = Wrapped(config, load_code("ascii")).with_media(made)
            medium.use_folder(folder)
            name = f"{wrapping}-{inside['kind']}"
            reader = Reader(name, medium, [good_deck(inside)], wrap, inside["kind"])
            found.setdefault("wrapped", []).append(reader)
    return found


def good_deck(options: Mapping[str, Any], cards: int = CARDS) -> bytes:
    """Return a deck that a medium reads, between labels where it has them."""
    medium = made(options)
    length = options.get("record_length", 80)
    width = WIDTH if length == "longest" else length
    text = np.resize(np.frombuffer(b"A1 Z09B", np.uint8), (cards, width))
    good = medium.encode(text, None, None, medium.code.alphabet)
    if not options.get("labels"):
        return good
    head, tail = (b"VOL1DEPOT7", b"HDR1BOX", b"HDR2F0000900009"), (b"EOF1BOX", b"EOF2F")
    return b"".join(
        [*(label.ljust(80) for label in head), good, *(label.ljust(80) for label in tail)]
    )


def every_good_deck() -> list[bytes]:
    """Return decks of 80 columns on every medium, plain and wrapped."""
    tables = [{k: v for k, v in table.items() if k != "record_length"} for table in _TABLES]
    plain = [good_deck(table, 4) for table in tables]
    return [*plain, *(wrap(deck) for wrap in WRAPPERS.values() for deck in plain[:7:3])]


def _zip(data: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("deck.txt"), data)
    return buffer.getvalue()


def _tar(data: bytes) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        info = tarfile.TarInfo("deck.txt")
        info.size = len(data)
        archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()[: 512 + -(-len(data) // 512) * 512 + 1024]


WRAPPERS: dict[str, Callable[[bytes], bytes]] = {
    "gzip": lambda data: gzip.compress(data, 1, mtime=0),
    "zstd": lambda data: zstandard.ZstdCompressor(level=1).compress(data),
    "zip": _zip,
    "tar": _tar,
}
"""What a deck is wrapped in, by name."""


def draw(reader: Reader, pool: list[bytes], dice: random.Random) -> bytes:
    """Return a deck to change: a good one, or one that showed something new."""
    if pool and dice.random() < 0.5:
        return dice.choice(pool)
    return dice.choice(reader.goods)

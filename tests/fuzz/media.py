"""A long fuzz of every reader of media: cards or one sentence, whatever the bytes.

    python tests/fuzz/media.py --inputs 100000 [--seed 1] [--reader records]

An input is noise, or a good deck with bytes changed, cut out, doubled or put in. Each is surveyed,
read in spans and trays of a few cards, and ranked now and then. A reader may refuse it with an
`UnreadableDeckError` of one printable line; anything else stops the run, and the input is kept as
`fuzz-READER.deck` in the folder that is given with --keep.
"""

from __future__ import annotations

import argparse
import gzip
import io
import sys
import tarfile
import tempfile
import time
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import zstandard

from deckwright import BIT_LAYOUTS, Medium, UnreadableDeckError
from deckwright.cards.codes import load_code
from deckwright.cards.mediaranking import rank_media
from deckwright_plugins.blocks import Blocks
from deckwright_plugins.column_binary import ColumnBinary
from deckwright_plugins.records import Records
from deckwright_plugins.text_lines import TextLines
from deckwright_plugins.transcript import Transcript
from deckwright_plugins.wrapped import Wrapped

KINDS: dict[str, type[Medium[Any]]] = {
    kind.kind: kind for kind in (TextLines, Blocks, ColumnBinary, Records, Transcript)
}
CARDS = 6
WIDTH = 9
RANKED = 500  # one input in so many is ranked too


@dataclass(frozen=True, slots=True)
class Reader:
    """A medium to fuzz, and a good deck of it."""

    make: Callable[[], Medium[Any]]
    good: bytes


def made(options: Mapping[str, Any]) -> Medium[Any]:
    """Return the medium that a table describes."""
    kind = KINDS[options["kind"]]
    config = kind.config_model(**options)
    return kind(config, load_code(config.code))


def readers() -> dict[str, list[Reader]]:
    """Return every reader by kind."""
    tables: list[dict[str, Any]] = [
        {"kind": "text"},
        {"kind": "text", "record_length": "longest", "shorter": "note"},
        {"kind": "blocks"},
        *({"kind": "column-binary", "bits": bits, "spare": "note"} for bits in BIT_LAYOUTS),
        {"kind": "records", "form": "variable", "shorter": "note"},
        {"kind": "records", "form": "variable-blocked", "record_length": "longest"},
        {"kind": "records", "form": "variable-blocked", "labels": "standard"},
        {"kind": "records", "form": "fixed-blocked", "labels": "standard"},
        {"kind": "transcript", "shorter": "note"},
        {"kind": "transcript", "between": "count"},
        {"kind": "transcript", "form": "rows", "order": "9-first"},
        {"kind": "transcript", "form": "rows", "between": "count"},
    ]
    found: dict[str, list[Reader]] = {}
    for table in tables:
        options = {"record_length": WIDTH, **table}
        medium = made(options)
        text = np.resize(np.frombuffer(b"A1 Z09B", np.uint8), (CARDS, WIDTH))
        good = medium.encode(text, None, None, medium.code.alphabet)
        if options.get("labels"):
            good = _labelled(good)
        found.setdefault(table["kind"], []).append(Reader(lambda o=options: made(o), good))
    found["wrapped"] = [Reader(_wrapped, good) for good in _archives(found["text"][0].good)]
    return found


def _wrapped() -> Medium[Any]:
    config = Wrapped.config_model(inside={"kind": "text", "record_length": WIDTH})
    return Wrapped(config, load_code("ascii")).with_media(made)


def _labelled(cards: bytes) -> bytes:
    head, tail = (b"VOL1DEPOT7", b"HDR1BOX"), (b"EOF1BOX", b"EOF2F")
    return b"".join(
        [*(label.ljust(80) for label in head), cards, *(label.ljust(80) for label in tail)]
    )


def _archives(data: bytes) -> list[bytes]:
    zipped, tarred = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("deck.txt", data)
    with tarfile.open(fileobj=tarred, mode="w") as archive:
        info = tarfile.TarInfo("deck.txt")
        info.size = len(data)
        archive.addfile(info, io.BytesIO(data))
    squeezed = zstandard.ZstdCompressor().compress(data)
    return [gzip.compress(data), squeezed, zipped.getvalue(), tarred.getvalue()[:2048]]


def changed(good: bytes, rng: np.random.Generator) -> bytes:
    """Return noise, or a good deck with some faults."""
    if rng.random() < 0.15:
        return rng.bytes(int(rng.integers(0, 400)))
    data = bytearray(good)
    for _ in range(int(rng.integers(0, 5))):
        at, size = int(rng.integers(0, len(data) + 1)), int(rng.integers(1, 30))
        match int(rng.integers(0, 5)):
            case 0:
                data[at : at + 1] = rng.bytes(1)
            case 1:
                del data[at : at + size]
            case 2:
                data[at:at] = data[at : at + size]
            case 3:
                data[at:at] = rng.bytes(size)
            case _:
                data[at : at + 1] = bytes([int(rng.choice([0, 10, 13, 32, 64, 127, 255]))])
    return bytes(data)


def judge(medium: Medium[Any], deck: Path) -> bool:
    """Read a deck; return whether it was cards."""
    try:
        survey = medium.survey(deck, 3)
        cards = 0
        for span in survey.spans:
            for tray in medium.read(deck, span, 2):
                cards += len(tray.text)
                if tray.text.shape[1] != survey.width:
                    msg = f"a tray of {tray.text.shape[1]} columns, not {survey.width}"
                    raise AssertionError(msg)
    except UnreadableDeckError as error:
        if not str(error).isprintable():
            msg = f"a sentence that is not one printable line: {error!r}"
            raise AssertionError(msg) from error
        return False
    if cards != survey.cards:
        msg = f"{cards} cards were read where {survey.cards} were counted"
        raise AssertionError(msg)
    return True


def main() -> None:
    """Fuzz the readers that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=10_000, help="inputs for each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reader", help="one kind only")
    parser.add_argument("--keep", type=Path, default=Path(), help="folder for an input that fails")
    asked = parser.parse_args()
    for kind, found in readers().items():
        if asked.reader in {None, kind}:
            _fuzz(kind, found, asked)


def _fuzz(kind: str, found: list[Reader], asked: argparse.Namespace) -> None:
    rng, started, read = np.random.default_rng(asked.seed), time.monotonic(), 0
    with tempfile.TemporaryDirectory() as folder:
        deck = Path(folder) / "deck"
        for number in range(asked.inputs):
            reader = found[number % len(found)]
            data = changed(reader.good, rng)
            deck.write_bytes(data)
            try:
                read += judge(reader.make(), deck)
                if number % RANKED == 0:
                    rank_media(deck)
            except Exception:
                (asked.keep / f"fuzz-{kind}.deck").write_bytes(data)
                sys.stderr.write(f"{kind}: input {number} of seed {asked.seed} failed\n")
                raise
    seconds = time.monotonic() - started
    sys.stdout.write(f"{kind}: {asked.inputs:,} inputs, {read:,} read, {seconds:.0f} s\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()

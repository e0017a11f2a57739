"""Feed claims, manifests, reasons, worker messages and service files with broken bytes.

    python tests/fuzz/records.py --inputs 1000000 [--seed 1]

Each input is a sound one with some bytes changed, cut or doubled. Nothing but the error that says
so may come of it.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from deckwright.errors import ConfigError
from deckwright.jobs.service import load_service
from deckwright.service.store.records import (
    BadRecordError,
    Claim,
    DeckFacts,
    FileFacts,
    Manifest,
    ReasonEntry,
    Reasons,
    Record,
    parse,
)
from deckwright.service.workers.messages import Ended, Progress

RUN = "0123456789abcdef-0a1b2c-1"
DECK = DeckFacts(name=b"deck.txt".hex(), shown="deck.txt", size=80, sha256="0" * 64)
SOUND: list[Record] = [
    Claim(run=RUN, deck=DECK, folder=b"first".hex(), job="first", config="1" * 64,
          taken_at="1957-01-01T00:00:00+00:00", order=1),
    Manifest(run=RUN, job="first", deck=DECK, config="1" * 64, versions={"deckwright": "0.1.0"},
             counts={"in": 1}, files=[FileFacts(name="out/a.csv", size=1, sha256="2" * 64)]),
    Reasons(run=RUN, job="first", deck=DECK, count=1,
            entries=[ReasonEntry(code="empty", sentence="the deck holds no cards")]),
    Ended(run=RUN, outcome="done", counts={"in": 1}),
    Progress(run=RUN, stage="decode", done=1, total=2),
]  # fmt: skip
SERVICE = b'workers = 2\nsettle_s = 2.5\n[retry]\ntries = 3\n[jobs.first]\nduplicates = "rerun"\n'
TOKENS = [b"{", b"}", b"[", b'"', b"null", b"-1", b"1e999", b"\\u0000", b"\xff", b"9" * 40, b"\n"]


def broken(data: bytes, dice: random.Random) -> bytes:
    """Return bytes with one to four places changed."""
    result = bytearray(data)
    for _ in range(dice.randrange(1, 5)):
        place = dice.randrange(len(result) + 1)
        kind = dice.randrange(4)
        if kind == 0:
            result[place : place + 1] = bytes([dice.randrange(256)])
        elif kind == 1:
            del result[place : place + dice.randrange(1, 20)]
        elif kind == 2:
            result[place:place] = dice.choice(TOKENS)
        else:
            result[place:place] = result[place : place + dice.randrange(1, 40)]
    return bytes(result)


def main() -> None:
    """Run, and say how many inputs were refused."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    dice = random.Random(given.seed)
    for sound in SOUND:
        refused, begin, data = 0, time.monotonic(), sound.to_bytes()
        for _ in range(given.inputs):
            try:
                parse(type(sound), broken(data, dice))
            except BadRecordError:
                refused += 1
        took = time.monotonic() - begin
        print(f"{type(sound).__name__}: {given.inputs} inputs, {refused} refused, {took:.0f} s")
        sys.stdout.flush()
    with tempfile.TemporaryDirectory() as folder:
        path, refused = Path(folder) / "service.toml", 0
        for _ in range(given.inputs // 10):
            path.write_bytes(broken(SERVICE, dice))
            try:
                load_service(path)
            except ConfigError:
                refused += 1
        print(f"service.toml: {given.inputs // 10} inputs, {refused} refused")


if __name__ == "__main__":
    main()

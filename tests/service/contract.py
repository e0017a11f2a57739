"""What must be true of a workspace at every moment, whatever was cut off: one checker for all."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from deckwright.service.store.ledger import Ledger
from deckwright.service.store.records import Claim, Manifest, Reasons, parse
from deckwright.service.system.places import run_prefix

Name = str | bytes
Bytes = bytes | tuple[bytes, ...]
Dropped = Mapping[Name, Bytes] | Iterable[tuple[Name, Bytes]]
"""Decks that were laid in the inbox: names with bytes, or pairs where a name came more than once.

Several bytes stand for a deck that grows: what it was first, and so on to what it is in the end.
"""

_INODE = re.compile(rb'"inode": [0-9]+|"seal": "[0-9a-f]+"')
MARKERS = (".ok", ".sha256")
WAITING = ("inbox", "work", "hold")
_BACK_FOR_ITS_BYTES = {"damaged", "late-bytes"}


@dataclass(slots=True)
class Tally:
    """Decks found in each place, without further runs of the same deck."""

    places: dict[str, list[tuple[bytes, bytes]]] = field(default_factory=dict)

    def add(self, place: str, name: bytes, data: bytes) -> None:
        """Enter a deck."""
        self.places.setdefault(place, []).append((name, data))

    def count(self, *places: str) -> int:
        """Return how many decks lie in some places."""
        return sum(len(self.places.get(place, [])) for place in places)

    @property
    def waiting(self) -> int:
        """Decks that have not ended."""
        return self.count(*WAITING)

    @property
    def done(self) -> int:
        """Decks that are done."""
        return self.count("done")

    @property
    def returned(self) -> int:
        """Decks that came back."""
        return self.count("returned")


def assert_contract(root: Path, dropped: Dropped, *, ended: bool = False) -> Tally:
    """Fail unless every deck dropped is in exactly one state, with all that belongs to it.

    Args:
        root: the workspace.
        dropped: what was laid in the inbox ever.
        ended: also fail when something has not ended, or anything is left of what was under way.
    """
    pairs = list(dropped.items() if isinstance(dropped, Mapping) else dropped)
    final = _final_bytes(pairs)
    tally, runs = Tally(), Counter[str]()
    grown, followed = set[str](), set[str]()
    for name, data in _inbox(root):
        tally.add("inbox", name, data)
    for place in ("work", "hold", "done", "returned"):
        for home in sorted((root / place).iterdir()):
            runs[home.name] += 1
            if place == "work" and not (home / "deck").exists():
                continue  # not taken yet, or given back: the deck lies in the inbox
            claim, deck = _run(home, place)
            if place == "done" and len(deck) > claim.deck.size:
                grown.add(claim.run)
            late = claim.follows is not None and claim.follows.because.startswith("bytes came")
            if late:
                followed.add(claim.follows.run)
            if not (late or claim.again):  # else a further run of a deck that lies elsewhere
                tally.add(place, claim.deck.name_bytes, deck)
    twice = [run for run, count in runs.items() if count > 1]
    assert not twice, f"in two places at once: {twice}"
    wanted = Counter((os.fsencode(name), _last(data)) for name, data in pairs)
    found = Counter(final.get(pair, pair) for decks in tally.places.values() for pair in decks)
    assert not wanted - found, f"lost: {_brief(wanted - found)}"
    assert not found - wanted, f"doubled or changed: {_brief(found - wanted)}"
    assert tally.waiting + tally.done + tally.returned == wanted.total()
    if ended:
        assert not tally.waiting, f"not ended: {tally.places}"
        left = [path for place in ("work", "hold", "tmp") for path in (root / place).iterdir()]
        assert not left, f"left over: {left}"
        assert grown <= followed, f"done without its late bytes: {grown - followed}"
    return tally


def _last(data: Bytes) -> bytes:
    return data[-1] if isinstance(data, tuple) else data


def _final_bytes(pairs: list[tuple[Name, Bytes]]) -> dict[tuple[bytes, bytes], tuple[bytes, bytes]]:
    """Return for each state of a deck that grows what it is in the end."""
    return {
        (os.fsencode(name), each): (os.fsencode(name), data[-1])
        for name, data in pairs
        if isinstance(data, tuple)
        for each in data
    }


def _brief(decks: Counter[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes, int]]:
    return [(name, data[:30], count) for (name, data), count in decks.items()]


def _inbox(root: Path) -> Iterator[tuple[bytes, bytes]]:
    for folder in (root / "inbox").iterdir():
        for path in folder.iterdir():
            if not (path.name.startswith(".") or path.suffix in MARKERS):
                yield os.fsencode(path.name), path.read_bytes()


def _run(home: Path, place: str) -> tuple[Claim, bytes]:
    """Look at the folder of a run; return its claim and its deck."""
    claim = parse(Claim, (home / "claim.json").read_bytes())
    deck = (home / "deck").read_bytes()
    assert claim.run == home.name
    prefix = run_prefix(claim.deck.sha256, claim.deck.name_bytes)
    assert home.name.rpartition("-")[0] == prefix
    as_taken = (len(deck), sha256(deck)) == (claim.deck.size, claim.deck.sha256)
    grown = sha256(deck[: claim.deck.size]) == claim.deck.sha256
    if place == "done":
        _check_done(home, claim)
    if place == "returned":
        codes = _check_returned(home, claim)
        assert as_taken or codes & _BACK_FOR_ITS_BYTES, f"{home} holds other bytes than were taken"
    else:
        assert as_taken or grown, f"{home} holds other bytes than were taken"
    return claim, deck


def _check_done(home: Path, claim: Claim) -> None:
    names = {path.name for path in home.iterdir()} - {"marker"}
    assert names == {"deck", "claim.json", "manifest.json", "out"}, f"{home}: {names}"
    manifest = parse(Manifest, (home / "manifest.json").read_bytes())
    for key in ("run", "job", "deck", "config"):
        assert getattr(manifest, key) == getattr(claim, key), f"{home}: {key} differs from claim"
    told = {file.name: (file.size, file.sha256) for file in manifest.files}
    real = {f"out/{n}": (len(data), sha256(data)) for n, data in files_of(home / "out").items()}
    assert told == real, f"{home}: outputs are not those of the manifest"
    assert real, f"{home}: no outputs"


def _check_returned(home: Path, claim: Claim) -> set[str]:
    names = {path.name for path in home.iterdir()} - {"marker", "out-failed.html"}
    assert names == {"deck", "claim.json", "reasons.json", "reasons.txt"}, f"{home}: {names}"
    reasons = parse(Reasons, (home / "reasons.json").read_bytes())
    for key in ("run", "job", "deck"):
        assert getattr(reasons, key) == getattr(claim, key), f"{home}: {key} differs from claim"
    assert reasons.count >= len(reasons.entries) > 0, f"{home}: no reasons"
    assert (home / "reasons.txt").read_text() == reasons.to_text()
    return {entry.code for entry in reasons.entries}


def assert_ledger(root: Path) -> None:
    """Fail unless the ledger says of every run what the folders say."""
    ledger = Ledger.reader(root / "ledger.db")
    told = dict(ledger.states())
    ledger.close()
    real = {home.name: place for place in ("done", "returned") for home in (root / place).iterdir()}
    real |= {home.name: "hold" for home in (root / "hold").iterdir()}
    waiting = {home.name for home in (root / "work").iterdir()}
    assert {run: state for run, state in told.items() if run not in waiting} == real
    assert {told.get(run) for run in waiting} <= {"waiting", "running"}


def sha256(data: bytes) -> str:
    """Return the SHA-256 of bytes in hex."""
    return hashlib.sha256(data).hexdigest()


def files_of(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def outcome_of(root: Path) -> dict[str, str]:
    """Return all that a service has brought about, file by file as SHA-256, without the ledger.

    The inode of a marker, which is another one in each workspace, is left out of the claims, and
    with it their seal.
    """
    return {
        f"{place}/{name}": sha256(_INODE.sub(b"", data) if name.endswith("claim.json") else data)
        for place in ("inbox", "work", "hold", "done", "returned", "master", "config")
        for name, data in files_of(root / place).items()
    }

"""Ways in which people and programs lay decks into a folder, and a clock that tests set.

Each way is a generator that writes a whole deck and pauses at every `yield`, so that a test says
what happens meanwhile. Run as a program, this file writes one deck in one way with real pauses:
`writers.py WAY TARGET SOURCE PAUSE`; where SOURCE is a folder, it copies all decks of it into the
folder TARGET, many at a time, each with pauses of its own up to PAUSE.
"""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

from typing_extensions import override

from deckwright.service.system.clock import Clock

PIECES = 4
"""Pieces in which a deck is written."""

AT_A_TIME = 20
"""Decks of a folder that are written at once."""

LONG_AGO_NS = 86_400 * 10**9
"""The second of January 1970, as a file time."""

Way = Callable[[Path, bytes], Iterator[None]]


class SetClock(Clock):
    """A clock that stands until it is set on."""

    def __init__(self) -> None:
        self.time = 1000.0

    @override
    def steady(self) -> float:
        return self.time


def pieces(data: bytes) -> list[bytes]:
    """Return a deck in pieces; none but the last ends where a card does, for most decks."""
    length = max(1, len(data) // PIECES + 1)
    return [data[start : start + length] for start in range(0, len(data), length)]


def in_place(path: Path, data: bytes) -> Iterator[None]:
    """Write under the last name, piece by piece, all the time open."""
    with path.open("wb", buffering=0) as file:
        for piece in pieces(data):
            file.write(piece)
            yield


def renamed(path: Path, data: bytes) -> Iterator[None]:
    """Write under a name that is no deck's, then rename."""
    beside = path.with_name(f".{path.name}")
    yield from in_place(beside, data)
    beside.rename(path)
    yield


def sized_first(path: Path, data: bytes) -> Iterator[None]:
    """Give the file its whole size first, then fill it."""
    with path.open("wb", buffering=0) as file:
        file.truncate(len(data))
        yield
        for piece in pieces(data):
            file.write(piece)
            yield


def old_times(path: Path, data: bytes) -> Iterator[None]:
    """Copy as archives do: the file gets the time of its original after every piece."""
    with path.open("wb", buffering=0) as file:
        for piece in pieces(data):
            file.write(piece)
            os.utime(file.fileno(), ns=(LONG_AGO_NS, LONG_AGO_NS))
            yield


def appended(path: Path, data: bytes) -> Iterator[None]:
    """Open, append a piece and close, again and again."""
    for piece in pieces(data):
        with path.open("ab") as file:
            file.write(piece)
        yield


def linked(path: Path, data: bytes) -> Iterator[None]:
    """Write under another name, give the file its last name, take the first one away."""
    beside = path.with_name(f".{path.name}")
    yield from in_place(beside, data)
    path.hardlink_to(beside)
    yield
    beside.unlink()
    yield


def marked(path: Path, data: bytes) -> Iterator[None]:
    """Append piece by piece, and say with a marker that it is whole."""
    yield from appended(path, data)
    path.with_name(f"{path.name}.ok").touch()
    yield


def digested(path: Path, data: bytes) -> Iterator[None]:
    """Append piece by piece, and say with a marker what it hashes to; the marker comes first."""
    marker = path.with_name(f"{path.name}.sha256")
    marker.write_text(f"{hashlib.sha256(data).hexdigest()}  {path.name}\n", encoding="utf-8")
    yield from appended(path, data)


WAYS: dict[str, Way] = {
    way.__name__: way
    for way in (in_place, renamed, sized_first, old_times, appended, linked, marked, digested)
}
"""By name, all ways to write a deck."""

NEVER_EARLY = ("in_place", "renamed", "sized_first", "old_times", "linked", "marked")
"""Ways that are never mistaken for whole, however long they pause, where leases are granted and
markers asked for."""

BY_LEASE = ("in_place", "sized_first", "old_times")
"""Those of them that need leases."""


def write(way: str, path: Path, data: bytes, pause: float = 0.0) -> None:
    """Write a deck in a way, with pauses in seconds."""
    for _ in WAYS[way](path, data):
        time.sleep(pause)


def write_all(way: str, folder: Path, sources: Path, longest: float) -> None:
    """Write all decks of a folder in a way, some at a time."""
    with ThreadPoolExecutor(AT_A_TIME) as pool:
        list(pool.map(partial(_write_one, way, folder, longest), sorted(sources.iterdir())))


def _write_one(way: str, folder: Path, longest: float, source: Path) -> None:
    dice = random.Random(source.name)  # noqa: S311 # the same pauses each time
    for _ in WAYS[way](folder / source.name, source.read_bytes()):
        time.sleep(dice.uniform(0, longest))


def process(way: str, path: Path, source: Path, pause: float) -> subprocess.Popen[bytes]:
    """Start a process that writes a file, or all of a folder, as decks; pauses in seconds."""
    command = [sys.executable, __file__, way, os.fspath(path), os.fspath(source), str(pause)]
    return subprocess.Popen(command)  # noqa: S603 # this very file


if __name__ == "__main__":
    target, deck, seconds = Path(sys.argv[2]), Path(sys.argv[3]), float(sys.argv[4])
    if deck.is_dir():
        write_all(sys.argv[1], target, deck, seconds)
    else:
        write(sys.argv[1], target, deck.read_bytes(), seconds)

"""A deck on the disk, be it a file or a folder of files: its stamp, its size, its fingerprint.

The fingerprint of a file is its SHA-256. That of a folder is the SHA-256 of a text with one line
for each file below it: its SHA-256 in hexadecimal, two blanks, its path in the folder, a line
feed; in the order of the bytes of the paths. That is what `sha256sum` prints for the sorted files.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from deckwright.engine.passes.parts import sha256_of
from deckwright.errors import OutputError, UnreadableDeckError
from deckwright.plugin.media import Medium
from deckwright.plugin.values import DeckPart

Stamp = tuple[int, int, int | str]


def must_be_a_deck(deck: Path, medium: Medium[Any]) -> None:
    """Check that a path is a file, or a folder where the medium takes one.

    Raises:
        UnreadableDeckError: it is not.
    """
    if deck.is_file() or (medium.takes_folders and deck.is_dir()):
        return
    if deck.is_dir():
        what = f"is a folder, which the medium {medium.kind!r} does not read"
        raise UnreadableDeckError(str(deck), what, "give the files in it, each as a deck")
    what = "is no file that can be read" if deck.exists() else "does not exist"
    raise UnreadableDeckError(str(deck), what, "correct the path")


def must_lie_outside(out: Path, decks: Sequence[Path], medium: Medium[Any]) -> None:
    """Refuse a run folder in a folder that is a deck: it would become a part of the deck.

    Raises:
        OutputError: it would lie there.
    """
    for deck in decks if medium.takes_folders else ():
        if deck.is_dir() and out.resolve().is_relative_to(deck.resolve()):
            what = f"lies in the deck {str(deck)!r}; name a place outside of it"
            raise OutputError(str(out), what)


def stamp_of(deck: Path) -> Stamp:
    """Return what changes when a deck does: sizes, times and numbers of its files."""
    try:
        status = deck.stat()
        if not stat.S_ISDIR(status.st_mode):
            return (status.st_size, status.st_mtime_ns, status.st_ino)
        digest, size, newest = hashlib.sha256(), 0, status.st_mtime_ns
        for name, path in _files(deck):
            found = path.lstat()
            facts = (name, found.st_size, found.st_mtime_ns, found.st_ino)
            digest.update(repr(facts).encode())
            size, newest = size + found.st_size, max(newest, found.st_mtime_ns)
    except OSError:
        return (0, 0, 0)
    return (size, newest, digest.hexdigest())


def must_be_unchanged(deck: Path, name: str, stamp: Stamp) -> None:
    """Check that a deck still has its stamp.

    Raises:
        UnreadableDeckError: it has another.
    """
    if stamp_of(deck) != stamp:
        raise UnreadableDeckError(name, "was changed while it was read", "run it again")


def facts_of(deck: DeckPart, sha256: str) -> dict[str, object]:
    """Return what the account of a run says of a deck; `files` only of a folder."""
    path = Path(deck.path)
    facts: dict[str, object] = {"name": deck.name}
    if deck.of:
        facts |= {"deck": deck.of, "file": deck.file}
    facts |= {
        "cards": deck.cards,
        "first_card": deck.first,
        "size": path.stat().st_size,
        "sha256": sha256,
    }
    if path.is_dir():
        sizes = [file.lstat().st_size for _, file in _files(path)]
        facts |= {"size": sum(sizes), "files": len(sizes)}
    return facts


def fingerprint(path: Path) -> str:
    """Return the fingerprint of a file or a folder."""
    if not path.is_dir():
        return sha256_of(path)
    digest = hashlib.sha256()
    for name, file in _files(path):
        digest.update(sha256_of(file).encode() + b"  " + name + b"\n")
    return digest.hexdigest()


def _files(folder: Path) -> Iterator[tuple[bytes, Path]]:
    """Yield the path in the folder, and the place, of everything in it that is not a folder."""
    root = os.fsencode(folder)
    found = [
        os.path.relpath(os.path.join(where, name), root)  # noqa: PTH118 # bytes
        for where, _, names in os.walk(root)
        for name in names
    ]
    for name in sorted(found):
        yield name, folder / os.fsdecode(name)

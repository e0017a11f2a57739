"""When a file in the inbox is a complete deck, and how it is opened."""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec
from deckwright.service.store.lineends import open_end
from deckwright.service.system.lease import written_to
from deckwright.service.system.patterns import matcher
from deckwright.service.system.places import shown

LINKED_S = 60.0
"""Seconds for which a file may have a second name: some deliver by linking, then unlinking."""

STILL_OPEN, CHANGED = "is still open for writing", "has changed"
OPEN_END = "ends inside a line, so more of it may come; it waits, unless NAME.ok says it is whole"
UNSETTLED = frozenset({STILL_OPEN, CHANGED, OPEN_END})
"""Why a file is not taken yet, where its sender only needs more time."""

_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_KINDS = (
    (stat.S_ISLNK, "is a symbolic link, and links are not followed"),
    (stat.S_ISDIR, "is a folder, and folders are not looked into"),
    (stat.S_ISFIFO, "is a pipe, not a file"),
    (stat.S_ISSOCK, "is a socket, not a file"),
)
_SPECIAL = "is a socket or a device, not a file"
_FORBIDDEN = "may not be read by the service"
_MEANINGS = {
    errno.ELOOP: _KINDS[0][1],
    errno.ENOTDIR: "lies in what is a folder no longer",
    errno.ENXIO: _SPECIAL,
    errno.ENODEV: _SPECIAL,
    errno.EACCES: _FORBIDDEN,
    errno.EPERM: _FORBIDDEN,
}
"""What it means that a file cannot be opened."""


class NotSettledError(Exception):
    """A file is not, or is no longer, what two readings saw; it waits."""

    def __init__(self, found: Found, why: str) -> None:
        self.why = why
        super().__init__(f"{shown(found.name)} {why}")


class StrayError(Exception):
    """What lies there is no file that could be a deck; it stays, and is listed."""

    def __init__(self, found: Found, why: str) -> None:
        self.why = why
        super().__init__(f"{shown(found.name)} {why}")


@dataclass(frozen=True, slots=True)
class Stamp:
    """What one reading says of a file. size counts bytes; times are the file's own, in ns."""

    inode: int
    device: int
    size: int
    mtime_ns: int
    ctime_ns: int
    links: int

    @classmethod
    def of(cls, status: os.stat_result) -> Stamp:
        """Return the stamp of a file."""
        return cls(
            status.st_ino,
            status.st_dev,
            status.st_size,
            status.st_mtime_ns,
            status.st_ctime_ns,
            status.st_nlink,
        )


@dataclass(frozen=True, slots=True)
class Route:
    """Which decks of an inbox folder a job takes.

    names: patterns of file names; none means all. card_bytes: the length of a card where all have
    the same. require_marker: take a deck only once a marker lies beside it. urgent: patterns of
    names that come first. longest: bytes that a card has at most where each is a line; 0 = any
    number, None = cards are no lines.
    """

    job: str
    names: tuple[str, ...]
    card_bytes: int | None
    require_marker: bool
    urgent: tuple[str, ...] = ()
    longest: int | None = None

    def hurries(self, name: str) -> bool:
        """Say whether a file of this name goes before others."""
        return bool(self.urgent) and matcher(self.urgent).match(name) is not None

    def takes(self, name: str) -> bool:
        """Say whether a file of this name is for the job."""
        return not self.names or matcher(self.names).match(name) is not None


@dataclass(frozen=True, slots=True)
class Found:
    """A file of the inbox as it was last read.

    folder: name of its folder in the inbox. marker_sha256: what its marker says that it must hash
    to. marker: name of its marker, empty where none was needed.
    """

    folder: str
    name: bytes
    path: Path
    stamp: Stamp
    marker_sha256: str | None
    marker: bytes = b""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What becomes of a file that looks the same for `wait_s` seconds.

    code: empty: it may be taken; else why it comes back. sentence: the same in words.
    """

    wait_s: float
    code: str = ""
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Rules:
    """Waits in seconds, and what no file may be. largest counts bytes."""

    settle_s: float
    stall_s: float
    largest: int
    links: bool

    @classmethod
    def of(cls, spec: ServiceSpec) -> Rules:
        """Return the rules of a service file."""
        largest = parse_size(spec.limits.deck)
        return cls(spec.settle_s, spec.stall_s, largest, spec.allow_hard_links)

    def sound(self, status: os.stat_result, card_bytes: int | None) -> bool:
        """Say whether a file could be taken as it stands."""
        size = status.st_size
        return (
            0 < size <= self.largest
            and (status.st_nlink <= 1 or self.links)
            and not (card_bytes and size % card_bytes)
        )

    def judge(self, stamp: Stamp, card_bytes: int | None) -> Verdict:
        """Say what becomes of a file that keeps this stamp."""
        size = stamp.size
        if size > self.largest:
            # settled first, so that it comes back whole
            what = f"has {size:,} bytes; decks of up to {self.largest:,} bytes are taken"
            return Verdict(self.settle_s, "too-large", what)
        if size == 0:
            return Verdict(self.stall_s, "empty", "is empty: there is no card in it")
        if stamp.links > 1 and not self.links:
            what = f"has {stamp.links} names on this disk; a deck that is taken may have only one"
            return Verdict(max(LINKED_S, self.settle_s), "hard-linked", what)
        if card_bytes and size % card_bytes:
            number, there = divmod(size, card_bytes)
            what = f"ends inside card {number + 1}: {there} of {card_bytes} bytes are there"
            return Verdict(self.stall_s, "ends-inside-card", what)
        return Verdict(self.settle_s)


def half_written(found: Found, longest: int, spec: ServiceSpec) -> bool:
    """Tell whether a settled deck of lines looks as if its writer might still add to it.

    It ends inside a line, the last thing done to it was writing (whoever renames it here, or gives
    it times or rights, is through with that), and nobody has it open: else that is said later.
    """
    if found.stamp.mtime_ns != found.stamp.ctime_ns:
        return False
    try:
        descriptor = os.open(found.path, _READ)
    except OSError:
        return False  # whoever opens it to take it says why
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return False
        return open_end(descriptor, longest) > 0 and not (spec.lease and written_to(descriptor))
    except OSError:
        return False
    finally:
        os.close(descriptor)


def kind_of(mode: int) -> str:
    """Say why something that is not a regular file is no deck."""
    return next((what for test, what in _KINDS if test(mode)), "is a device, not a file")


def open_deck(found: Found, spec: ServiceSpec) -> int:
    """Open a settled file and make sure, on the open file, that it is the one that was read.

    Returns:
        A descriptor to read from; the caller closes it.

    Raises:
        NotSettledError: it changed, went away, or someone has it open for writing.
        StrayError: it is no regular file or may not be read.
        OSError: anything else, such as too many open files.
    """
    try:
        folder = os.open(found.path.parent, _READ | os.O_DIRECTORY)
    except OSError as error:
        raise _told(found, error) from error
    try:
        return _open_in(folder, found, spec)
    finally:
        os.close(folder)


def _open_in(folder: int, found: Found, spec: ServiceSpec) -> int:
    try:
        descriptor = os.open(found.name, _READ, dir_fd=folder)
    except OSError as error:
        raise _told(found, error) from error
    try:
        _check(descriptor, folder, found, spec)
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def _check(descriptor: int, folder: int, found: Found, spec: ServiceSpec) -> None:
    mode = os.fstat(descriptor).st_mode
    if not stat.S_ISREG(mode):
        raise StrayError(found, kind_of(mode))
    if spec.lease and written_to(descriptor):
        raise NotSettledError(found, STILL_OPEN)
    # after the lease, so that what a last writer did shows
    if Stamp.of(os.fstat(descriptor)) != found.stamp:
        raise NotSettledError(found, CHANGED)
    try:
        named = os.stat(found.name, dir_fd=folder, follow_symlinks=False)
    except OSError as error:
        raise _told(found, error) from error
    if Stamp.of(named) != found.stamp:
        raise NotSettledError(found, "is another file now")


def _told(found: Found, error: OSError) -> Exception:
    """Return what an error in reaching the file means; the error itself where it means nothing."""
    if error.errno in {errno.ENOENT, errno.ESTALE}:
        return NotSettledError(found, "has gone away")
    why = _MEANINGS.get(error.errno or 0)
    return StrayError(found, why) if why else error

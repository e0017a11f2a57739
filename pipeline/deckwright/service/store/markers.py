"""Files beside a deck that say that it is complete: `NAME.ok` and `NAME.sha256`."""

from __future__ import annotations

import os
import re
import stat

OK, SHA256 = ".ok", ".sha256"

_LONGEST = 4096
_DIGEST = re.compile(rb"\\?([0-9A-Fa-f]{64})(?:\s.*)?", re.DOTALL)
"""What the usual tools write: the digest, white space, the name; a backslash where that is odd."""


def deck_of(name: str) -> tuple[str, str] | None:
    """Return the name of the deck that a marker stands for, and the marker's ending.

    None: the name is not that of a marker.
    """
    for suffix in (OK, SHA256):
        if name.endswith(suffix) and len(name) > len(suffix):
            return name.removesuffix(suffix), suffix
    return None


def is_ok_of(path: str, written_ns: int) -> bool:
    """Tell whether an OK marker lies there for a deck that was last written at this time.

    One that is older than the deck is of an earlier deck of its name.

    Raises:
        OSError: it is not there, or cannot be looked at.
    """
    status = os.lstat(path)
    return stat.S_ISREG(status.st_mode) and status.st_mtime_ns >= written_ns


def digest_in(path: str) -> str | None:
    """Return the SHA-256 (64 lower-case hex digits) that a marker names; None: it names none.

    Raises:
        OSError: it cannot be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return None
        found = _DIGEST.fullmatch(os.read(descriptor, _LONGEST))
    finally:
        os.close(descriptor)
    return found[1].decode("ascii").lower() if found else None

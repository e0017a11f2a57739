"""What a file is compressed or archived in, by its first bytes.

Marks of gzip: RFC 1952; of zstd: RFC 8878; of xz, bzip2, zip and tar: from memory.
"""

from __future__ import annotations

import re
import tarfile
from typing import Literal

Wrapping = Literal["gzip", "zstd", "xz", "bzip2", "zip", "tar"]

_TAR_AT, _TAR_MARK = 257, b"ustar"
_MARKS: tuple[tuple[Wrapping, bytes], ...] = (
    ("gzip", b"\x1f\x8b"),
    ("zstd", b"\x28\xb5\x2f\xfd"),
    ("xz", b"\xfd7zXZ\x00"),
    ("zip", b"PK\x03\x04"),
    ("zip", b"PK\x05\x06"),
)


_BZIP2 = re.compile(rb"BZh[1-9](1AY&SY|\x17rE8P\x90)")
"""Longer than the mark alone, which a card of text may begin with."""


def wrapping_of(head: bytes) -> Wrapping | None:
    """Return what the first 512 bytes of a file show it to be wrapped in; None: in nothing."""
    for wrapping, mark in _MARKS:
        if head.startswith(mark):
            return wrapping
    if _BZIP2.match(head):
        return "bzip2"
    return "tar" if head[_TAR_AT:].startswith(_TAR_MARK) and _is_tar(head) else None


def _is_tar(head: bytes) -> bool:
    """Return whether the check sum of a tar header holds."""
    try:
        tarfile.TarInfo.frombuf(head[: tarfile.BLOCKSIZE], "ascii", "surrogateescape")
    except (tarfile.HeaderError, ValueError, OverflowError):
        return False
    return True

"""The files of a deck of pictures: in a zip, a tar, a folder, or the deck itself; all counted.

Names of members are compared and shown, never used as paths; of a folder they are paths that were
found in it. Nothing is read of a member before its name, kind and size are found right.
"""

from __future__ import annotations

import contextlib
import gzip
import os
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO, Literal

from deckwright import UnreadableDeckError, wrapping_of
from deckwright_plugins.shared.unwrap import (
    BROKEN,
    FREE,
    MOST_TIMES,
    Bounded,
    must_be_few,
    read_start,
)

How = Literal["as is", "deflated", "file"]

_BLOCK = 1 << 20
_LOCAL = 30  # bytes of a local header of a zip before its name


@dataclass(frozen=True, slots=True)
class Member:
    """One file. offset: where its bytes begin in the deck, or its local header in a zip.

    size, packed: bytes when opened and as they lie there. crc: of a zip, else -1.
    """

    name: str
    how: How
    offset: int
    size: int
    packed: int
    crc: int = -1


class MemberError(Exception):
    """A member cannot be read; the deck around it can. The message is the rest of a sentence."""


def printable(name: str) -> str:
    """Return a name with what cannot be shown replaced."""
    whole = name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    return "".join(c if c.isprintable() else "\ufffd" for c in whole)


def plain(name: str) -> str:
    """Return a name as it stands in a sentence: printable and not long."""
    shown = printable(name)
    return shown if len(shown) <= 80 else f"{shown[:40]}...{shown[-30:]}"  # noqa: PLR2004


def members_of(deck: Path, data: Path, most: int) -> list[Member]:
    """Return the files of a deck in the order in which they lie there.

    Args:
        deck: as it is to be named.
        data: where its bytes are: the deck itself, or the tar that was expanded out of it.
        most: files that it may hold.

    Raises:
        UnreadableDeckError: it is damaged, holds too many, or one that cannot be in such a deck.
    """
    if data.is_dir():
        return _of_folder(deck, data, most)
    wrapping = wrapping_of(read_start(data))
    try:
        if wrapping == "zip":
            return _of_zip(deck, data, most)
        if wrapping == "tar":
            return _of_tar(deck, data, most)
    except BROKEN as error:
        said = " ".join(str(error).split())[:120] or type(error).__name__
        what = f"is a damaged {wrapping}: {plain(said)}"
        raise UnreadableDeckError(str(deck), what, "fetch it again") from error
    size = data.stat().st_size
    return [Member(deck.name, "as is", 0, size, size)]


def expanded(deck: Path, path: Path) -> Path:
    """Return a tar out of a deck that is a compressed one; any other deck is itself returned.

    Args:
        deck: the deck.
        path: where the tar goes.

    Raises:
        UnreadableDeckError: it is damaged, no tar, or expands to too much.
    """
    if deck.is_dir() or wrapping_of(read_start(deck)) != "gzip":
        return deck
    most = max(FREE, MOST_TIMES * deck.stat().st_size)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with gzip.open(deck, "rb") as file, part.open("wb") as into:
            done = 0
            while block := file.read(_BLOCK):
                if not done and wrapping_of(block[: tarfile.BLOCKSIZE]) != "tar":
                    what = "is compressed with gzip, and no tar is inside"
                    raise UnreadableDeckError(str(deck), what, "unpack it by hand")
                done += len(block)
                if done > most:
                    what = f"expands to more than {MOST_TIMES} times its size and {FREE:,} bytes"
                    raise UnreadableDeckError(str(deck), what, "unpack it by hand if that is right")
                into.write(block)
        part.replace(path)
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        what = f"is a damaged gzip: {plain(str(error))}"
        raise UnreadableDeckError(str(deck), what, "fetch it again") from error
    finally:
        part.unlink(missing_ok=True)
    return path


def read_member(data: Path, member: Member, most: int) -> bytes:
    """Return the bytes of a member.

    Raises:
        MemberError: it is larger than `most` bytes, damaged or cut short.
    """
    if member.size > most:
        msg = f"has {member.size:,} bytes, more than {most:,}"
        raise MemberError(msg)
    try:
        with opened(data, member) as file:
            if member.how != "deflated":
                found = file.read(member.size)
            else:
                inflater = zlib.decompressobj(-zlib.MAX_WBITS)
                # one byte more than it says, to see that there is none
                found = inflater.decompress(file.read(member.packed), member.size + 1)
    except (OSError, zlib.error) as error:
        msg = f"is damaged: {plain(str(error))}"
        raise MemberError(msg) from error
    if len(found) != member.size:
        msg = f"is damaged: it has not the {member.size:,} bytes that it should have"
        raise MemberError(msg)
    if member.crc >= 0 and zlib.crc32(found) != member.crc:
        msg = "is damaged: its check sum is wrong"
        raise MemberError(msg)
    return found


def bytes_there(data: Path, member: Member) -> Iterator[bytes]:
    """Yield the bytes of a member, whatever is wrong with it, as far as they can be had."""
    with contextlib.suppress(OSError, zlib.error), opened(data, member) as file:
        inflater = zlib.decompressobj(-zlib.MAX_WBITS)
        packed, left = member.packed, member.size
        while left > 0 and (piece := file.read(min(packed, _BLOCK))):
            packed -= len(piece)
            while piece and left > 0:
                if member.how == "deflated":
                    block = inflater.decompress(piece, min(left, _BLOCK))
                    piece = inflater.unconsumed_tail
                else:
                    block, piece = piece, b""
                left -= len(block)
                yield block


def opened(data: Path, member: Member) -> BinaryIO:
    """Return a deck, or the file in a folder, open where the bytes of a member begin."""
    path = data / member.name if member.how == "file" else data
    flags = os.O_RDONLY | os.O_NOFOLLOW if member.how == "file" else os.O_RDONLY
    file = os.fdopen(os.open(path, flags), "rb")
    try:
        file.seek(member.offset)
        if member.crc >= 0:
            file.seek(member.offset + _local_header(file.read(_LOCAL)))
    except OSError:
        file.close()
        raise
    return file


def _local_header(head: bytes) -> int:
    """Return the length of a zip's header before a member; its names may be longer than listed."""
    if head[:4] != b"PK\x03\x04" or len(head) < _LOCAL:
        msg = "its header is not where it should be"
        raise OSError(msg)
    return _LOCAL + sum(int.from_bytes(head[at : at + 2], "little") for at in (26, 28))


def _of_zip(deck: Path, data: Path, most: int) -> list[Member]:
    members = []
    with data.open("rb") as raw:
        must_be_few(deck, raw, most)
        with zipfile.ZipFile(raw) as archive:
            for info in archive.infolist():
                name = info.filename.replace("\\", "/")
                _must_be_inside(deck, name)
                if info.is_dir():
                    continue
                kind = info.external_attr >> 16
                if stat.S_IFMT(kind) not in {0, stat.S_IFREG}:
                    raise _not_plain(deck, name, "a link or a device")
                if info.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
                    raise _not_plain(deck, name, "packed in a way that is not opened")
                if info.flag_bits & 1:
                    raise _not_plain(deck, name, "encrypted")
                how: How = "as is" if info.compress_type == zipfile.ZIP_STORED else "deflated"
                place, sizes = info.header_offset, (info.file_size, info.compress_size)
                members.append(Member(name, how, place, *sizes, info.CRC))
    _must_not_share(deck, members)
    _must_not_swell(deck, members, data.stat().st_size)
    return members


def _must_not_share(deck: Path, members: list[Member]) -> None:
    """Refuse a zip whose members lie on each other: a few bytes would be opened many times."""
    ordered = sorted(members, key=lambda member: member.offset)
    for one, after in pairwise(ordered):
        if one.offset + _LOCAL + one.packed > after.offset:
            what = f"is no honest zip: {plain(one.name)} and {plain(after.name)} share bytes"
            raise UnreadableDeckError(str(deck), what, "pack it anew")


def _must_not_swell(deck: Path, members: list[Member], size: int) -> None:
    if sum(member.size for member in members) > max(FREE, MOST_TIMES * size):
        what = f"expands to more than {MOST_TIMES} times its size and {FREE:,} bytes"
        raise UnreadableDeckError(str(deck), what, "unpack it by hand if that is right")


def _of_tar(deck: Path, data: Path, most: int) -> list[Member]:
    members = []
    size = data.stat().st_size
    with data.open("rb") as raw:
        bounded: Any = Bounded(raw)
        archive: Any
        with tarfile.open(fileobj=bounded, mode="r:") as archive:
            for info in archive:
                _must_be_inside(deck, info.name)
                if info.isdir():
                    continue
                if not info.isreg() or info.issparse():
                    raise _not_plain(deck, info.name, "a link or a device")
                if info.offset_data + info.size > size:
                    what = f"is cut short inside {plain(info.name)}"
                    raise UnreadableDeckError(str(deck), what, "fetch it again")
                members.append(Member(info.name, "as is", info.offset_data, info.size, info.size))
                archive.members.clear()  # it would keep them all
                if len(members) > most:
                    raise _too_many(deck, most)
            end = archive.offset
        _must_be_empty(deck, raw, end)
    return members


def _must_be_empty(deck: Path, raw: BinaryIO, end: int) -> None:
    """Refuse a tar that goes on after its end: two of them put together hide the second."""
    raw.seek(end)
    while block := raw.read(_BLOCK):
        if block.strip(b"\0"):
            what = "goes on behind the end of a tar: it is cut short, or two tars in one"
            raise UnreadableDeckError(str(deck), what, "give each tar as a deck of its own")


def _of_folder(deck: Path, data: Path, most: int) -> list[Member]:
    members = []
    for name, entry in _below(data, ""):
        _must_be_inside(deck, name)
        status = entry.stat(follow_symlinks=False)
        if not stat.S_ISREG(status.st_mode):
            raise _not_plain(deck, name, "a link or a device")
        members.append(Member(name, "file", 0, status.st_size, status.st_size))
        if len(members) > most:
            raise _too_many(deck, most)
    return sorted(members, key=lambda member: os.fsencode(member.name))


def _below(folder: Path, name: str) -> Iterator[tuple[str, os.DirEntry[str]]]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                yield from _below(folder / entry.name, f"{name}{entry.name}/")
            else:
                yield name + entry.name, entry


def _must_be_inside(deck: Path, name: str) -> None:
    """Refuse a name that would lead out of the deck, or that is none."""
    parts = name.split("/")
    outside = name.startswith("/") or ".." in parts or name[1:2] == ":" or "\\" in name
    if outside or not name.strip("/") or "\0" in name:
        what = f"holds a file called {plain(name)!r}, a name that leads out of it or nowhere"
        raise UnreadableDeckError(str(deck), what, "unpack it by hand")


def _not_plain(deck: Path, name: str, kind: str) -> UnreadableDeckError:
    what = f"holds {plain(name)!r}, which is {kind}"
    return UnreadableDeckError(str(deck), what, "give plain files only")


def _too_many(deck: Path, most: int) -> UnreadableDeckError:
    what = f"holds more than {most:,} files"
    return UnreadableDeckError(str(deck), what, "set a larger most_files if that is right")

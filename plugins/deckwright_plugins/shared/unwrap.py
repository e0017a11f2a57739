"""Expanding a compressed or archived deck into a file, counted and with bounded memory.

Names of members are only compared and shown, never used as paths; a member is never looked into
for a further one. A tar that is compressed as a whole, as tars mostly are, counts as one wrapping.
"""

from __future__ import annotations

import io
import lzma
import tarfile
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import IO, Any, BinaryIO

from deckwright import UnreadableDeckError, Wrapping, wrapping_of
from deckwright_plugins.shared import streams

FREE = 64 << 20
"""Bytes that any deck may expand to, however small it is."""

MOST_TIMES = 100
"""Beyond that, how many times its own size a deck may expand to."""

MOST_MEMBERS = 1_000
"""Names that an archive may hold."""

_BLOCK = 1 << 20
_NAMED = 5
_SHOWN = 60
_DIRECTORY = 1 << 20  # bytes that the list of members of a zip may have
BROKEN = (
    EOFError,
    OSError,
    ValueError,
    OverflowError,
    NotImplementedError,
    RuntimeError,
    KeyError,
    IndexError,
    tarfile.TarError,
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
)
"""What the libraries raise for an archive or compressed file that is broken."""


def read_start(deck: Path) -> bytes:
    """Return the first 512 bytes of a file."""
    with deck.open("rb") as file:
        return file.read(tarfile.BLOCKSIZE)


def expand(deck: Path, wrapping: Wrapping, member: str, limit: int, into: BinaryIO) -> None:
    """Write the bytes of the one deck in a wrapped file.

    Args:
        deck: the file.
        wrapping: what it is wrapped in.
        member: name of the member to take from an archive; empty where it holds one file only.
        limit: bytes above which it is not expanded.
        into: where the bytes go.

    Raises:
        UnreadableDeckError: it is damaged, holds no deck or several, or expands to too much.
    """
    with _unpacked(deck, wrapping, limit, Path(into.name).parent) as (path, inner):
        _copy(deck, path, inner, member, limit, into)


def files_in(deck: Path, wrapping: Wrapping, limit: int) -> list[str]:
    """Return the names of the files in a zip or tar; none for a deck that is only compressed.

    Raises:
        UnreadableDeckError: as for `expand`.
    """
    with _unpacked(deck, wrapping, limit, None) as (path, inner):
        if inner not in {"zip", "tar"}:
            return []
        with path.open("rb") as raw:
            try:
                if inner == "tar":
                    return [info.name for info in _tar_members(deck, raw)[1]]
                must_be_few(deck, raw)
                with zipfile.ZipFile(raw) as archive:
                    return [info.filename for info in archive.infolist() if not info.is_dir()]
            except BROKEN as error:
                raise _damaged(deck, inner, error) from error


@contextmanager
def _unpacked(
    deck: Path, wrapping: Wrapping, limit: int, folder: Path | None
) -> Iterator[tuple[Path, Wrapping]]:
    """Give a file and what it is wrapped in: the tar itself where that is compressed as a whole."""
    if wrapping not in {"zip", "tar"}:
        with _opened(deck, wrapping, "") as file:
            is_tar = wrapping_of(_read(deck, wrapping, file)[: tarfile.BLOCKSIZE]) == "tar"
        if is_tar:
            with tempfile.NamedTemporaryFile(prefix="deckwright-", dir=folder) as tar:
                _copy(deck, deck, wrapping, "", limit, tar, tar_inside=True)
                tar.flush()
                yield Path(tar.name), "tar"
            return
    yield deck, wrapping


def _copy(
    deck: Path,
    path: Path,
    wrapping: Wrapping,
    member: str,
    limit: int,
    into: IO[bytes],
    *,
    tar_inside: bool = False,
) -> None:
    """Copy what is wrapped in the file at `path`, counted; errors speak of `deck`."""
    with _opened(path, wrapping, member, deck) as file:
        most = max(FREE, MOST_TIMES * deck.stat().st_size)
        done = 0
        while block := _read(deck, wrapping, file):
            inner = None if done or tar_inside else wrapping_of(block[: tarfile.BLOCKSIZE])
            if inner:
                what = f"is a {wrapping} with a {inner} inside"
                remedy = "only one wrapping is opened, so unwrap it once by hand"
                raise UnreadableDeckError(str(deck), what, remedy)
            done += len(block)
            if done > limit:
                what = f"expands to more than {limit:,} bytes"
                raise UnreadableDeckError(str(deck), what, "set a larger limit if that is right")
            if done > most:
                what = f"expands to more than {MOST_TIMES} times its size and {FREE:,} bytes"
                raise UnreadableDeckError(str(deck), what, "unwrap it by hand if that is right")
            into.write(block)


def _opened(
    path: Path, wrapping: Wrapping, member: str, deck: Path | None = None
) -> AbstractContextManager[streams.Reader]:
    named = path if deck is None else deck
    openers: dict[Wrapping, Callable[[], AbstractContextManager[streams.Reader]]] = {
        "gzip": lambda: streams.gzip_stream(path),
        "zstd": lambda: streams.zstd_stream(path),
        "xz": lambda: streams.xz_stream(path),
        "bzip2": lambda: streams.bzip2_stream(path),
        "zip": lambda: _zip(named, path, member),
        "tar": lambda: _tar(named, path, member),
    }
    return openers[wrapping]()


def _read(deck: Path, wrapping: Wrapping, file: streams.Reader) -> bytes:
    try:
        return file.read(_BLOCK)
    except BROKEN as error:
        raise _damaged(deck, wrapping, error) from error
    except Exception as error:
        if type(error).__module__.startswith("zstandard"):
            raise _damaged(deck, wrapping, error) from error
        raise


def _damaged(deck: Path, wrapping: Wrapping, error: Exception) -> UnreadableDeckError:
    said = " ".join(str(error).split())[: 2 * _SHOWN] or type(error).__name__
    what = f"is a damaged {wrapping}: {_plain(said)}"
    return UnreadableDeckError(str(deck), what, "fetch it again or unwrap it by hand")


@contextmanager
def _zip(deck: Path, path: Path, member: str) -> Iterator[streams.Reader]:
    with path.open("rb") as raw:
        must_be_few(deck, raw)
        try:
            with zipfile.ZipFile(raw) as archive:
                infos = [info for info in archive.infolist() if not info.is_dir()]
                name = _chosen(deck, [info.filename for info in infos], member)
                info = next(info for info in infos if info.filename == name)
                if info.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
                    what = "is a zip whose member is neither stored nor deflated"
                    raise UnreadableDeckError(str(deck), what, "unwrap it by hand")
                if info.flag_bits & 1:
                    raise UnreadableDeckError(str(deck), "is an encrypted zip", "decrypt it first")
                opened = archive.open(info)
        except BROKEN as error:
            raise _damaged(deck, "zip", error) from error
        with opened:
            yield opened


@contextmanager
def _tar(deck: Path, path: Path, member: str) -> Iterator[streams.Reader]:
    with path.open("rb") as raw:
        try:
            archive, found = _tar_members(deck, raw)
            name = _chosen(deck, [info.name for info in found], member)
            info = next(info for info in found if info.name == name)
            opened = archive.extractfile(info)
            whole = info.offset_data + info.size <= path.stat().st_size
        except BROKEN as error:
            raise _damaged(deck, "tar", error) from error
        if opened is None or not whole:
            raise UnreadableDeckError(str(deck), "is a damaged tar: its member is cut short")
        with opened:
            yield opened


def _tar_members(deck: Path, raw: BinaryIO) -> tuple[tarfile.TarFile, list[tarfile.TarInfo]]:
    """Return an open tar and the plain files in it."""
    bounded: Any = Bounded(raw)
    archive = tarfile.open(fileobj=bounded, mode="r:")  # noqa: SIM115 # closed with its file
    found: list[tarfile.TarInfo] = []
    for count, info in enumerate(archive, 1):
        if count > MOST_MEMBERS:
            raise _too_many(deck, "tar")
        found += [info] if info.isfile() and not info.issparse() else []
    return archive, found


class Bounded:
    """A file that is not read by more than a block at once, whatever a header claims."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.seek, self.tell = file.seek, file.tell

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes, as many as are asked for.

        Raises:
            ValueError: that are too many.
        """
        if not 0 <= size <= _BLOCK:
            msg = "a header claims too much"
            raise ValueError(msg)
        return self._file.read(size)


def _chosen(deck: Path, names: list[str], member: str) -> str:
    """Return the name of the member to read.

    Raises:
        UnreadableDeckError: none, or more than one, could be meant.
    """
    same = names.count(member) if member else 0
    if same == 1 or (not member and len(names) == 1):
        return member or names[0]
    if not names:
        raise UnreadableDeckError(str(deck), "is an archive without a file in it")
    shown = ", ".join(_plain(name[:_SHOWN]) for name in names[:_NAMED])
    more = f" and {len(names) - _NAMED:,} more" if len(names) > _NAMED else ""
    if member and not same:
        what = f"holds no member {_plain(member)}, but {shown}{more}"
        raise UnreadableDeckError(str(deck), what, "set member to one of these names")
    what = f"holds {len(names):,} files: {shown}{more}"
    remedy = "name one with member, or give each as a deck of its own"
    if same:
        what, remedy = f"holds {_plain(member)} {same} times", "unwrap it by hand"
    raise UnreadableDeckError(str(deck), what, remedy)


def _plain(name: str) -> str:
    """Return a name in quotes with everything but printable ASCII escaped."""
    return ascii(name)


def _too_many(deck: Path, wrapping: Wrapping, most: int = MOST_MEMBERS) -> UnreadableDeckError:
    what = f"is a {wrapping} of more than {most:,} members"
    return UnreadableDeckError(str(deck), what, "give the deck alone")


def must_be_few(deck: Path, file: BinaryIO, most: int = MOST_MEMBERS) -> None:
    """Refuse a zip with a long list of members before the list is read.

    The positions are those of the end record and of its 64-bit sibling (from memory).
    """
    size = file.seek(0, io.SEEK_END)
    start = max(0, size - (1 << 16) - 22 - 20)
    file.seek(start)
    tail = file.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or at + 22 > len(tail):
        raise UnreadableDeckError(
            str(deck), "is a damaged zip: it is cut short", "fetch it again or unwrap it by hand"
        )
    count = int.from_bytes(tail[at + 10 : at + 12], "little")
    length = int.from_bytes(tail[at + 12 : at + 16], "little")
    if at >= 20 and tail[at - 20 : at - 16] == b"PK\x06\x07":  # noqa: PLR2004 # bytes of the locator
        file.seek(min(size, int.from_bytes(tail[at - 12 : at - 4], "little")))
        record = file.read(56)
        count = int.from_bytes(record[32:40], "little")
        length = int.from_bytes(record[40:48], "little")
    if count > most or length > _DIRECTORY * most // MOST_MEMBERS:
        raise _too_many(deck, "zip", most)
    file.seek(0)

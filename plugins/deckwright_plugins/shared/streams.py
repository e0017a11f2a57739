"""The bytes of a compressed file, expanded piece by piece within bounds of memory."""

from __future__ import annotations

import bz2
import gzip
import lzma
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from deckwright import UnreadableDeckError

_PIECE = 1 << 10
_WINDOW = 1 << 27  # bytes that a zstd frame may look back, or an xz stream may take


class Reader(Protocol):
    """What gives the expanded bytes, piece by piece; an empty piece ends them."""

    def read(self, size: int = -1, /) -> bytes:
        """Return the next bytes."""


@contextmanager
def gzip_stream(deck: Path) -> Iterator[Reader]:
    """Give what a gzip file expands to."""
    with gzip.open(deck, "rb") as file:
        yield file


@contextmanager
def bzip2_stream(deck: Path) -> Iterator[Reader]:
    """Give what a bzip2 file expands to."""
    with bz2.open(deck, "rb") as file:
        yield file


@contextmanager
def xz_stream(deck: Path) -> Iterator[Reader]:
    """Give what a xz file expands to."""
    with deck.open("rb") as raw:
        yield _Streams(raw)


class _Streams:
    """Reads the streams of an xz file to their ends; none may ask for much memory."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._stream: lzma.LZMADecompressor | None = None
        self._rest = b""

    def read(self, size: int = -1, /) -> bytes:
        """Return the next bytes, at most as many as are asked for.

        Raises:
            EOFError: the last stream is cut short.
            lzma.LZMAError: what is there is no xz.
        """
        while True:
            stream = self._stream
            if stream is None or stream.needs_input:
                self._rest = self._rest or self._file.read(_PIECE)
                if stream is None:
                    self._rest = self._rest.lstrip(b"\0")  # what may lie between two streams
                    if not self._rest and not self._more():
                        return b""
                    stream = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_WINDOW)
                    self._stream = stream
                if not self._rest:
                    msg = "it is cut short"
                    raise EOFError(msg)
            data, self._rest = stream.decompress(self._rest, size), b""
            if stream.eof:
                self._stream, self._rest = None, stream.unused_data
            if data:
                return data

    def _more(self) -> bool:
        """Read on over the zero bytes that may lie behind a stream."""
        while piece := self._file.read(_PIECE):
            self._rest = piece.lstrip(b"\0")
            if self._rest:
                return True
        return False


@contextmanager
def zstd_stream(deck: Path) -> Iterator[Reader]:
    """Give what a zstd file expands to.

    Raises:
        UnreadableDeckError: the package for it is not installed.
    """
    zstandard = zstd_package()
    if zstandard is None:
        what = "is compressed with zstd, which needs the package zstandard"
        raise UnreadableDeckError(str(deck), what, "install deckwright[zstd]")
    made = zstandard.ZstdDecompressor(max_window_size=_WINDOW)
    with deck.open("rb") as raw:
        yield _Frames(raw, made)


def zstd_package() -> Any:
    """Return the package that reads and writes zstd; None where it is not installed."""
    try:
        import zstandard  # noqa: PLC0415 # an extra that few decks need
    except ImportError:
        return None
    return zstandard


class _Frames:
    """Reads zstd frames to their ends.

    Input goes in by small pieces: a piece of n bytes cannot give more than n / 4 blocks of 128 KiB.
    """

    def __init__(self, file: BinaryIO, made: Any) -> None:
        self._file, self._made = file, made
        self._frame, self._rest, self._inside = made.decompressobj(), b"", False

    def read(self, _: int = -1, /) -> bytes:
        """Return what the next pieces give."""
        while piece := self._rest or self._file.read(_PIECE):
            if self._frame.eof:
                self._frame = self._made.decompressobj()
            data: bytes = self._frame.decompress(piece)
            self._rest, self._inside = self._frame.unused_data, not self._frame.eof
            if data:
                return data
        if self._inside:
            msg = "it is cut short"
            raise EOFError(msg)
        return b""

"""The file of a picture, opened where it lies, and how large it may be."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, cast

from typing_extensions import override

from deckwright_plugins.media.pictures.members import Member, MemberError, opened, plain
from deckwright_plugins.media.pictures.options import PicturesConfig


def most_pixels(config: PicturesConfig) -> int:
    """Return how many pixels a picture may have."""
    from deckwright import PAGE_PIXELS  # noqa: PLC0415 # loads the picture libraries

    return config.most_pixels or PAGE_PIXELS


def most_bytes(config: PicturesConfig) -> int:
    """Return how many bytes the file of a picture may have: four colours of 16 bits each."""
    return 8 * most_pixels(config) + (1 << 20)


class Window(io.RawIOBase):
    """A member as a file of its own, without its bytes being read at once."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        super().__init__()
        self._file, self._start, self._size, self._at = file, file.tell(), size, 0

    @override
    def readable(self) -> bool:
        return True

    @override
    def seekable(self) -> bool:
        return True

    @override
    def readinto(self, buffer: Any, /) -> int:
        self._file.seek(self._start + self._at)
        data = self._file.read(min(len(buffer), max(0, self._size - self._at)))
        buffer[: len(data)] = data
        self._at += len(data)
        return len(data)

    @override
    def seek(self, at: int, whence: int = 0, /) -> int:
        self._at = max(0, at + (0, self._at, self._size)[whence])
        return self._at


@contextlib.contextmanager
def open_plain(data: Path, member: Member) -> Iterator[BinaryIO]:
    """Open a member that is not packed, without reading it whole."""
    try:
        file = opened(data, member)
    except OSError as error:
        msg = f"cannot be opened: {plain(str(error))}"
        raise MemberError(msg) from error
    with file:
        if member.offset == 0 and member.crc < 0:
            yield file
        else:
            yield cast("BinaryIO", io.BufferedReader(Window(file, member.size)))

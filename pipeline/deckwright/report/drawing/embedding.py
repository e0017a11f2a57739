"""Pictures held within a page: their kind and size, and the address that carries them."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_HEAD = 24
_JPEG = b"\xff\xd8"
_MARKERS_ALONE = frozenset({0x01, *range(0xD0, 0xD9)})
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_SCAN = 0xDA


@dataclass(frozen=True, slots=True)
class Embedded:
    """A picture to be held within a page.

    Attributes:
        kind: "png" or "jpeg".
        width: in pixels, by its own head.
        height: in pixels, by its own head.
        data: the picture.
    """

    kind: str
    width: int
    height: int
    data: bytes

    @property
    def address(self) -> str:
        """Return an address that is the picture itself; base64 cannot end what it stands in."""
        return f"data:image/{self.kind};base64,{b64encode(self.data).decode('ascii')}"


def embedded(data: bytes) -> Embedded | None:
    """Return a picture by its bytes, None if they do not begin as a PNG or JPEG does.

    Sources: ISO/IEC 15948 (PNG), clauses 5.2 and 11.2.1; ITU-T T.81 (JPEG), annex B.
    """
    size, kind = _png_size(data), "png"
    if size is None:
        size, kind = _jpeg_size(data), "jpeg"
    return Embedded(kind, *size, data) if size and all(size) else None


def _png_size(data: bytes) -> tuple[int, int] | None:
    if len(data) < _PNG_HEAD or data[:8] != _PNG or data[12:16] != b"IHDR":
        return None
    return int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")


def _jpeg_size(data: bytes) -> tuple[int, int] | None:
    """Return (width, height) from the frame header, before which other segments may stand."""
    if data[:2] != _JPEG:
        return None
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:  # noqa: PLR2004 # a marker follows
        marker = data[at + 1]
        if marker in _FRAMES:
            high, wide = data[at + 5 : at + 7], data[at + 7 : at + 9]
            return int.from_bytes(wide, "big"), int.from_bytes(high, "big")
        if marker == _SCAN:
            break
        if marker == 0xFF:  # noqa: PLR2004 # filling before a marker
            at += 1
        elif marker in _MARKERS_ALONE:
            at += 2
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return None

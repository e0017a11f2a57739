"""Open a picture file, within limits: any of the usual kinds becomes an array of 8 bits a colour.

Pillow decodes. Formats are named, so that no other of its decoders is ever tried; the number of
pixels is looked at before any is decoded; whatever a decoder raises becomes one sentence.
"""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, ClassVar, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, PngImagePlugin, UnidentifiedImageError

Picture = NDArray[np.uint8]

FORMATS: Final = ("PNG", "JPEG", "TIFF", "BMP", "WEBP")
"""What is opened. Names as Pillow has them."""

PICTURE_SUFFIXES: Final = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp")

CARD_PIXELS: Final = 2 * 4425 * 1950
"""Twice a card of 7.375 by 3.25 inches at 600 pixels per inch: more than a card alone needs."""

PAGE_PIXELS: Final = 9933 * 7016
"""A page of A3 (420 by 297 mm, ISO 216) at 600 pixels per inch."""

ONE_CARD: Final = "deckwright-one-card"
"""Key of the text in a PNG that was cut out of a page: it holds one card."""

DRAWN: Final = "deckwright-drawn"
"""Key of the text in a PNG that was drawn from the holes of a card."""

TIFF_MARKS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""First bytes of a TIFF and of a BigTIFF (TIFF 6.0, section 2; BigTIFF from memory)."""

_MARKS: Final = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"BM", *TIFF_MARKS)
_BAND: Final = 512  # lines that are made smaller at a time
_MOST_PAGES: Final = 100_000
_SUBFILE: Final = 254  # tag NewSubfileType, TIFF 6.0 section 8: bit 0 a smaller copy, bit 2 a mask


class PictureError(Exception):
    """A picture cannot be opened; the message is the rest of a sentence that begins with it."""

    reason: ClassVar[str]


class NotAPictureError(PictureError):
    """It is damaged, or none of the formats."""

    reason = "not-a-picture"


class TooLargeError(PictureError):
    """It has more pixels than it may have."""

    reason = "too-large"


class SeveralPicturesError(PictureError):
    """There is more than one picture where one is looked for."""

    reason = "several-pictures"


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A picture.

    Attributes:
        image: uint8 (h, w) or (h, w, 3), red green blue.
        one_card: whether it says of itself that it holds one card.
        drawn: whether it says of itself that it is no photograph but drawn by `clean_card`, whose
            cards are cut at the upper left.
    """

    image: Picture
    one_card: bool
    drawn: bool = False


def is_picture(head: bytes) -> bool:
    """Return whether the first bytes (16) of a file are those of a format that is opened."""
    if head[:4] == b"RIFF":
        return head[8:12] == b"WEBP"
    return head.startswith(_MARKS)


def load_picture(
    file: BinaryIO, most_pixels: int, page: int | None = None, halved_beyond: int = 0
) -> Loaded:
    """Return the picture in a file.

    Args:
        file: open at its start.
        most_pixels: that it may have.
        page: of a TIFF, from 0; None for the only picture of a file.
        halved_beyond: pixels from which on it is given at half its length and height, which
            takes a quarter of the memory; 0: never.

    Raises:
        PictureError: it cannot be opened, or is too large.
    """
    with _guarded(), Image.open(file, formats=FORMATS) as image:
        image.seek(_only_page(image, file) if page is None else page)
        _must_be_small(image, most_pixels)
        said = getattr(image, "text", {})
        one_card, drawn = (name in said for name in (ONE_CARD, DRAWN))
        width, height = image.size
        large = 0 < halved_beyond < width * height
        if large:
            image.draft(None, (-(-width // 2), -(-height // 2)))  # of JPEG: smaller as it is read
        ImageOps.exif_transpose(image, in_place=True)
        undrafted = max(image.size) > max(width, height) // 2 + 1
        whole = _halved(image) if large and undrafted else _eight_bits(image)
        return Loaded(whole, one_card, drawn)


def check_picture(file: BinaryIO, most_pixels: int) -> None:
    """Check the head of a picture, as `load_picture` does, without decoding it.

    Raises:
        PictureError: it cannot be opened, or is too large.
    """
    with _guarded(), Image.open(file, formats=FORMATS) as image:
        _must_be_small(image, most_pixels)


def tiff_pages(file: BinaryIO) -> list[int]:
    """Return the places (from 0) of the pages in a TIFF; smaller copies and masks are none.

    Raises:
        PictureError: its list of pages is damaged.
    """
    pages = []
    try:
        for place, kind in enumerate(_directories(file)):
            if place >= _MOST_PAGES:
                what = f"has more than {_MOST_PAGES:,} pages"
                raise SeveralPicturesError(what)
            if not kind & 0b101:
                pages.append(place)
    except (struct.error, OverflowError, OSError) as error:
        what = "is a damaged TIFF: its list of pages is cut short"
        raise NotAPictureError(what) from error
    return pages


def png_of(image: Picture, *, one_card: str = "", drawn: bool = False, colours: int = 0) -> bytes:
    """Return an array as a PNG, without loss unless `colours` asks for fewer of them."""
    made = Image.fromarray(image)
    if colours:
        made = made.quantize(colours)
    text = PngImagePlugin.PngInfo()
    if one_card:
        text.add_text(ONE_CARD, one_card)
    if drawn:
        text.add_text(DRAWN, "drawn from its holes, cut at the upper left")
    buffer = io.BytesIO()
    made.save(buffer, "PNG", pnginfo=text, compress_level=6)
    return buffer.getvalue()


def jpeg_of(image: Picture, quality: int) -> bytes:
    """Return an array as a JPEG, for people to look at."""
    buffer = io.BytesIO()
    Image.fromarray(image).save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


@contextmanager
def _guarded() -> Iterator[None]:
    """Turn whatever goes wrong in a decoder into one sentence.

    The limit of Pillow is left as it is: its warning and its error come above ours at most.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            yield
        except PictureError:
            raise
        except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
            what = f"has more than {Image.MAX_IMAGE_PIXELS:,} pixels"
            raise TooLargeError(what) from error
        except MemoryError as error:
            what = "needs more memory than this process may have"
            raise TooLargeError(what) from error
        except UnidentifiedImageError as error:
            what = f"is none of {', '.join(FORMATS)}, or is cut off near its start"
            raise NotAPictureError(what) from error
        except Exception as error:  # hostile files make decoders raise all sorts of things
            said = " ".join(str(error).split())[:120] or type(error).__name__
            said = "".join(c if c.isprintable() else "?" for c in said)
            what = f"is damaged: {said}"
            raise NotAPictureError(what) from error


def _must_be_small(image: Image.Image, most_pixels: int) -> None:
    width, height = image.size
    if width * height > most_pixels:
        what = f"has {width * height:,} pixels, more than {most_pixels:,}"
        raise TooLargeError(what)


def _only_page(image: Image.Image, file: BinaryIO) -> int:
    """Return the place of the one picture in a file; cameras put smaller ones beside it."""
    if image.format == "TIFF":
        pages = tiff_pages(file)
    else:
        pages = list(range(getattr(image, "n_frames", 1) if image.format != "MPO" else 1))
    if len(pages) > 1:
        what = f"holds {len(pages)} pictures, and nothing tells which is meant"
        raise SeveralPicturesError(what)
    return pages[0] if pages else 0


def _eight_bits(image: Image.Image) -> Picture:
    """Return a picture of any mode as uint8 (h, w) or (h, w, 3).

    Transparent places are laid on black, since paper is light.
    """
    mode = image.mode
    if mode.startswith(("I", "F")):
        return _scaled(np.asarray(image))
    plain = "transparency" not in image.info
    if mode in {"L", "RGB"} and plain:
        return np.asarray(image, np.uint8)
    if mode == "1":
        return np.asarray(image.convert("L"), np.uint8)
    if mode in {"RGBA", "LA", "PA", "RGBa", "La"} or not plain:
        sheet = image.convert("RGBA")
        ground = Image.new("RGBA", sheet.size, (0, 0, 0, 255))
        return np.asarray(Image.alpha_composite(ground, sheet).convert("RGB"), np.uint8)
    return np.asarray(image.convert("RGB"), np.uint8)


def _halved(image: Image.Image) -> Picture:
    """Return a picture at half its size as `_eight_bits` gives it, made band by band."""
    width, height = (side // 2 for side in image.size)
    if image.mode.startswith(("I", "F")):  # how many bits are in use tells the whole picture only
        return _smaller(_eight_bits(image), width, height)
    bands = [
        _smaller(
            _eight_bits(image.crop((0, 2 * top, 2 * width, 2 * min(top + _BAND, height)))),
            width,
            min(_BAND, height - top),
        )
        for top in range(0, height, _BAND)
    ]
    return np.concatenate(bands)


def _smaller(image: Picture, width: int, height: int) -> Picture:
    trimmed = image[: 2 * height, : 2 * width]
    small = cv2.resize(trimmed, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8)


def _scaled(values: NDArray[np.generic]) -> Picture:
    """Return whole numbers of more than 8 bits by the highest 8 bits that the picture uses."""
    if not np.issubdtype(values.dtype, np.integer) or values.min() < 0:
        what = "has pixels that are no whole numbers from 0 up"
        raise NotAPictureError(what)
    # scanners put 10 or 12 bits into 16, so the largest value tells how many are in use
    bits = max(8, int(values.max()).bit_length())
    return np.asarray(np.asarray(values).astype(np.int64) >> (bits - 8), np.uint8)


def _directories(file: BinaryIO) -> Iterator[int]:
    """Yield the kind of each image directory of a TIFF or BigTIFF (TIFF 6.0, section 2)."""
    head = _exactly(file, 0, 16)
    order = "<" if head[:2] == b"II" else ">"
    big = struct.unpack(f"{order}H", head[2:4])[0] == 43  # noqa: PLR2004 - the mark of BigTIFF
    number, entry, count = ("Q", 20, 8) if big else ("I", 12, 2)
    size = struct.calcsize(number)
    at = struct.unpack(f"{order}{number}", head[size : 2 * size])[0]
    seen: set[int] = set()
    while at and at not in seen:
        seen.add(at)
        entries = struct.unpack(
            f"{order}{'Q' if big else 'H'}", _exactly(file, at, count)
        )[0]  # fmt: skip
        if entries > 4096:  # noqa: PLR2004 - tags of one page
            raise struct.error
        table = _exactly(file, at + count, entries * entry + size)
        kind = 0
        for start in range(0, entries * entry, entry):
            if struct.unpack(f"{order}H", table[start : start + 2])[0] == _SUBFILE:
                value = table[start + entry - size : start + entry]
                kind = struct.unpack(f"{order}I", value[:4])[0]
        yield kind
        at = struct.unpack(f"{order}{number}", table[-size:])[0]


def _exactly(file: BinaryIO, at: int, size: int) -> bytes:
    file.seek(at)
    data = file.read(size)
    if len(data) < min(size, 10):
        raise struct.error
    return data.ljust(size, b"\0") if at == 0 else data

"""Write pictures as a folder, a zip, a tar or a TIFF of many pages, the same bytes each time."""

from __future__ import annotations

import io
import shutil
import tarfile
import zipfile
from collections.abc import Iterable, Iterator
from errno import EEXIST
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Picture = NDArray[np.uint8]

FORMS: Final = {"png": "PNG", "jpg": "JPEG", "tif": "TIFF"}
"""Kinds of picture by their suffix."""

ALBUMS: Final = (".zip", ".tar", ".tif", ".tiff")
"""Suffixes of files that hold many pictures; anything without a suffix is a folder."""

_QUALITY: Final = 90
_EPOCH: Final = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip can hold


def encoded(picture: Picture, form: str, ppi: float) -> bytes:
    """Return a picture as a file of some form.

    Args:
        picture: uint8 (h, w, 3), red green blue.
        form: a key of `FORMS`.
        ppi: pixels per inch, written into the file.
    """
    file = io.BytesIO()
    image, kind, resolution = Image.fromarray(picture), FORMS[form], (ppi, ppi)
    if form == "png":
        image.save(file, kind, dpi=resolution, compress_level=3)
    elif form == "jpg":
        image.save(file, kind, dpi=resolution, quality=_QUALITY)
    else:
        image.save(file, kind, dpi=resolution, compression="tiff_adobe_deflate")
    return file.getvalue()


def write_album(path: Path, pictures: Iterable[tuple[str, Picture]], form: str, ppi: float) -> None:
    """Write named pictures, one after the other, holding one at a time.

    Args:
        path: a file with one of the suffixes `ALBUMS`, or a folder, which is made.
        pictures: names without suffix, and pictures.
        form: of each picture in a folder or an archive.
        ppi: pixels per inch.

    Raises:
        OSError: it cannot be written, or there is something already.
    """
    if path.exists():
        raise FileExistsError(EEXIST, "exists already", str(path))
    part = path.with_name(f"{path.name}.part")
    try:
        _write(part, path.suffix.lower(), pictures, form, ppi)
        part.replace(path)
    except BaseException:
        # half an album must not be taken for a whole one
        shutil.rmtree(part, ignore_errors=True)
        part.unlink(missing_ok=True)
        raise


def _write(
    part: Path, suffix: str, pictures: Iterable[tuple[str, Picture]], form: str, ppi: float
) -> None:
    if suffix == ".zip":
        _zip(part, _files(pictures, form, ppi))
    elif suffix == ".tar":
        _tar(part, _files(pictures, form, ppi))
    elif suffix in ALBUMS:
        _tiff(part, pictures, ppi)
    else:
        part.mkdir(parents=True)
        for name, data in _files(pictures, form, ppi):
            (part / name).write_bytes(data)


def _files(
    pictures: Iterable[tuple[str, Picture]], form: str, ppi: float
) -> Iterator[tuple[str, bytes]]:
    for name, picture in pictures:
        yield f"{name}.{form}", encoded(picture, form, ppi)


def _zip(path: Path, files: Iterable[tuple[str, bytes]]) -> None:
    with zipfile.ZipFile(path, "x") as archive:  # pictures are packed already
        for name, data in files:
            archive.writestr(zipfile.ZipInfo(name, _EPOCH), data)


def _tar(path: Path, files: Iterable[tuple[str, bytes]]) -> None:
    with tarfile.open(path, "x") as archive:
        for name, data in files:
            member = tarfile.TarInfo(name)
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))


def _tiff(path: Path, pictures: Iterable[tuple[str, Picture]], ppi: float) -> None:
    pages = (Image.fromarray(picture) for _, picture in pictures)
    first = next(pages)
    with path.open("x+b") as file:
        first.save(
            file, "TIFF", save_all=True, append_images=pages, dpi=(ppi, ppi),
            compression="tiff_adobe_deflate",
        )  # fmt: skip

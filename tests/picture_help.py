"""What the tests of pictures share: small decks of drawn cards, wrapped in any way."""

from __future__ import annotations

import io
import tarfile
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from deckwright import RawTray, clean_card
from deckwright.cards.codes import load_code
from deckwright.pictures.card.geometry import HOLE_HEIGHT, HOLE_WIDTH, INCH, centres
from deckwright.pictures.simulator.clean import MARGIN
from deckwright_plugins.media.pictures.medium import Pictures
from media_help import medium, trays

CODE = load_code("ebcdic")
PPI = 200


def pictures(**options: Any) -> Pictures:
    """Return the medium; a person has said where the cut is, unless they say otherwise."""
    made: Pictures = medium(Pictures, **{"cut": "upper-left", **options})
    return made


@lru_cache(maxsize=64)
def _drawn(text: str, ppi: int) -> np.ndarray:
    return clean_card(holes_of(text), text, ppi)


def holes_of(text: str) -> np.ndarray:
    """Return the holes (80) of a line of characters."""
    own = np.frombuffer(CODE.alphabet.encode(text.ljust(80)), np.uint8)
    return CODE.to_holes[own].astype(np.uint16)


def card(text: str, ppi: int = PPI) -> np.ndarray:
    """Return the picture, uint8 (h, w), of a card with these characters."""
    return _drawn(text, ppi).copy()


def half_punched(text: str, *columns: int) -> np.ndarray:
    """Return the picture of a card with something that is half a hole in row 5 of columns."""
    image, scale = card(text), PPI / INCH
    half = np.array([HOLE_WIDTH, HOLE_HEIGHT]) / 2
    for column in columns:
        middle = centres()[7, column - 1] + MARGIN
        left, top = np.round((middle - half) * scale).astype(int)
        right, bottom = np.round((middle + half) * scale).astype(int)
        image[top:bottom, left:right] = 126
    return image


def saved(image: np.ndarray | Image.Image, form: str = "PNG", **options: Any) -> bytes:
    """Return a picture as the bytes of a file."""
    buffer = io.BytesIO()
    made = image if isinstance(image, Image.Image) else Image.fromarray(image)
    made.save(buffer, form, **options)
    return buffer.getvalue()


def named_cards(texts: Sequence[str], name: str = "card-{}.png") -> dict[str, bytes]:
    """Return the files of cards with these characters; names count from 1."""
    return {name.format(number): saved(card(text)) for number, text in enumerate(texts, 1)}


def zipped(members: Mapping[str, bytes] | Iterable[tuple[str, bytes]], level: int = 0) -> bytes:
    """Return a zip."""
    items = members.items() if isinstance(members, Mapping) else members
    buffer = io.BytesIO()
    how = zipfile.ZIP_DEFLATED if level else zipfile.ZIP_STORED
    with zipfile.ZipFile(buffer, "w", how) as archive:
        for name, data in items:
            archive.writestr(zipfile.ZipInfo(name), data, how)
    return buffer.getvalue()


def tarred(members: Mapping[str, bytes], mode: str = "w") -> bytes:
    """Return a tar, or with mode w:gz a compressed one."""
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode=mode) as archive:
        for name, data in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


def foldered(folder: Path, members: Mapping[str, bytes]) -> Path:
    """Write files into a folder."""
    for name, data in members.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder


def read_deck(made: Pictures, deck: Path) -> RawTray:
    """Return the cards of a deck as one tray."""
    _, (tray,) = trays(made, deck)
    return tray


def texts_of(tray: RawTray) -> list[str]:
    """Return what stands on cards, without blanks at the end."""
    return [CODE.alphabet.decode(line.tobytes()).rstrip() for line in tray.text]


def odd_of(tray: RawTray) -> list[tuple[int, str, str]]:
    """Return the card (from 1), the reason and the severity of all that is odd."""
    return sorted(
        (tray.first_card + int(row), odd.reason, odd.severity)
        for odd in tray.odd
        for row in odd.rows
    )


def said_of(tray: RawTray, number: int) -> list[str]:
    """Return what is said of a card (from 1)."""
    return [odd.detail for odd in tray.odd if number - tray.first_card in odd.rows.tolist()]

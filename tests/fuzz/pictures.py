"""Feed archives, picture files and answers with broken bytes to the medium `pictures`.

    python tests/fuzz/pictures.py --seconds 60 [--seed 1]

Each input is a sound one with some bytes changed, cut, put in or doubled. A deck is taken or
refused in a sentence, a picture opened or called what it is, answers read or said to be unclear.
"""

from __future__ import annotations

import argparse
import io
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from PIL import Image

from deckwright import PictureError, UnreadableDeckError, load_picture
from deckwright_plugins.media.pictures.answers import read_answers
from deckwright_plugins.media.pictures.index import build_index
from deckwright_plugins.media.pictures.options import PicturesConfig
from fuzz.mutation import any_bytes, small_numbers
from picture_help import card, saved, tarred, zipped

_SMALL = Image.fromarray(card("00001")[::5, ::5].copy())
_FILES = {"a.png": saved(_SMALL), "b/c.txt": b"hello" * 9, "a.png.look.csv": b"x"}
_FORM = (
    "card,column,12,holes,by\r\n1,3,0.5,12-1,AB\r\n1,4,0.5,none,\u00d6\r\n1,5,0.5,,\r\n".encode()
)

DECKS = [
    zipped(_FILES),
    zipped(_FILES, 6),
    tarred(_FILES),
    tarred(_FILES, "w:gz"),
    saved(_SMALL, "TIFF", save_all=True, append_images=[_SMALL]),
]
PICTURES = [
    *(saved(_SMALL, form) for form in ("PNG", "JPEG", "TIFF", "BMP", "WEBP")),
    saved(_SMALL, "TIFF", compression="tiff_lzw"),
    saved(_SMALL.convert("1"), "TIFF", compression="group4"),
    saved(_SMALL.convert("RGBA"), "PNG"),
]


def deck(data: bytes, work: Path) -> str:
    """Return what became of a deck."""
    path = work / "deck"
    path.write_bytes(data)
    try:
        build_index(path, PicturesConfig(), work / "expanded")
    except UnreadableDeckError as error:
        return str(error)
    return ""


def picture(data: bytes, _: Path) -> str:
    """Return what became of a picture."""
    try:
        load_picture(io.BytesIO(data), 10**6)
    except PictureError as error:
        return str(error)
    return ""


def answers(data: bytes, _: Path) -> str:
    """Return what became of answers."""
    return read_answers(data).fault


READERS: dict[str, tuple[Callable[[bytes, Path], str], list[bytes]]] = {
    "decks": (deck, DECKS),
    "pictures": (picture, PICTURES),
    "answers": (answers, [_FORM]),
}


def broken(sound: bytes, dice: random.Random) -> bytes:
    """Return an input with some faults."""
    data = bytearray(sound)
    for _ in range(dice.choice((1, 1, 2, 3, 5))):
        dice.choice((any_bytes, small_numbers))(data, dice)
    return bytes(data)


def main() -> int:
    """Feed until the time is over; print what came of it."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seconds", type=float, default=60)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    dice, counts = random.Random(given.seed), Counter[str]()
    end = time.monotonic() + given.seconds
    with tempfile.TemporaryDirectory() as work:
        while time.monotonic() < end:
            for name, (read, sound) in READERS.items():
                data = broken(dice.choice(sound), dice)
                try:
                    said = read(data, Path(work))
                except Exception:
                    print(f"{name}: {data!r}")
                    raise
                assert said.isprintable(), said
                counts[f"{name}, {'refused' if said else 'taken'}"] += 1
    print(dict(sorted(counts.items())))
    return 0


if __name__ == "__main__":
    sys.exit(main())

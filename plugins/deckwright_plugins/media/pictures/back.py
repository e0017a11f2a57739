"""Cards that come back: their own pictures in a tar, with forms for what a person must tell."""

from __future__ import annotations

import tarfile
from collections.abc import Callable, Iterator

from deckwright import labelled_card, labelled_column, png_of
from deckwright_plugins.media.pictures.answers import form
from deckwright_plugins.media.pictures.desk import Seen
from deckwright_plugins.media.pictures.index import LOOK, PIECES

MOST_ENLARGED = 12
"""Columns that are shown one by one; beyond that the whole card is shown once."""

END = bytes(2 * tarfile.BLOCKSIZE)
"""What ends a tar."""


def entry(name: str, data: bytes) -> bytes:
    """Return a file as it stands in a tar; such stretches can be put one behind the other."""
    return header(name, len(data)) + data + bytes(-len(data) % tarfile.BLOCKSIZE)


def header(name: str, size: int) -> bytes:
    """Return what stands before the bytes of a file in a tar."""
    info = tarfile.TarInfo(name)
    info.size, info.mode = size, 0o644
    return info.tobuf(tarfile.PAX_FORMAT, "utf-8", "surrogateescape")


def entry_of_pieces(name: str, pieces: Callable[[], Iterator[bytes]]) -> Iterator[bytes]:
    """Yield a file of any size as it stands in a tar; its pieces are asked for twice."""
    size = sum(map(len, pieces()))
    yield header(name, size)
    yield from pieces()
    yield bytes(-size % tarfile.BLOCKSIZE)


def form_files(seen: Seen, name: str) -> Iterator[bytes]:
    """Yield what goes beside the picture of a card that a person was or is asked about.

    Args:
        seen: the card.
        name: of its picture, as it stands in the tar.
    """
    columns = seen.asked
    reading = seen.reading
    if reading is None or not (columns or seen.answers.written):
        return
    columns = sorted({*columns, *seen.answers.written})
    yield entry(name + LOOK, form(seen.card, seen.unsure, columns, seen.answers))
    settled = seen.state == "read" or seen.answers.no_card
    if seen.image is None or reading.mapping is None or settled:
        return
    if not reading.counted:  # a ruler of 80 columns would count them wrongly
        return
    if (reading.bad and not reading.side_asked) or len(columns) > MOST_ENLARGED:
        picture = labelled_card(seen.image, reading.mapping)
        yield entry(f"{name}{PIECES}card.png", png_of(picture))
        return
    for column in columns:
        if column <= 0:  # the side is seen on the picture itself
            continue
        doubted = seen.unsure[:, column - 1]
        picture = labelled_column(seen.image, reading.mapping, column, doubted)
        yield entry(f"{name}{PIECES}column-{column:02d}.png", png_of(picture))

"""Where each card of a deck is: the pages of its files, and the cards on each page."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from deckwright import UnreadableDeckError
from deckwright_plugins.media.pictures.files import most_bytes, most_pixels, open_plain
from deckwright_plugins.media.pictures.members import Member, MemberError, plain, read_member
from deckwright_plugins.media.pictures.options import PicturesConfig

_TRIED = 3  # pictures looked at before a deck is said to hold none that can be read


@dataclass(frozen=True, slots=True)
class Place:
    """Where one card is.

    Attributes:
        member: place of its file among the members.
        page: of a TIFF of many, from 0; -1 where a file holds one picture.
        box: numbers of a `Box`; empty where it has the picture for itself.
        number: which card of its picture, from 1.
        fault: why the picture is not read at all, as a sentence.
    """

    member: int
    page: int = -1
    box: tuple[int, ...] = ()
    number: int = 1
    fault: str = ""

    @property
    def alone(self) -> bool:
        """Return whether its file holds it and nothing else."""
        return self.page < 0 and not self.box


class Finder:
    """Finds the cards in the pictures of a deck."""

    def __init__(self, data: Path, members: list[Member], config: PicturesConfig) -> None:
        self._data, self._members, self._config = data, members, config
        self._most = most_pixels(config)

    def must_open(self, deck: Path, pictures: list[int]) -> None:
        """Refuse a deck whose first pictures cannot be opened at all.

        Raises:
            UnreadableDeckError: none of them can.
        """
        from deckwright import PictureError, check_picture  # noqa: PLC0415 # loads the libraries

        why = ""
        for place in pictures[:_TRIED]:
            try:
                with self.file(place) as file:
                    check_picture(file, self._most)
            except (PictureError, MemberError) as error:
                why = why or f"{plain(self._members[place].name)!r} {error}"
            else:
                return
        count = f"the first {_TRIED}" if len(pictures) > _TRIED else "all"
        what = f"cannot be read: {why}" + (f"; {count} are alike" if len(pictures) > 1 else "")
        remedy = "set a larger most_pixels if that is right" if "pixels" in why else ""
        raise UnreadableDeckError(str(deck), what, remedy)

    def places(self, member: int) -> Iterator[Place]:
        """Yield the places of the cards in a file."""
        for page in self._pages(member):
            if self._config.cards_a_picture == 1:
                yield Place(member, page)
            else:
                yield from self._on_page(member, page)

    @contextlib.contextmanager
    def file(self, place: int) -> Iterator[BinaryIO]:
        """Open a member at its start."""
        member = self._members[place]
        if member.how == "deflated":
            yield io.BytesIO(read_member(self._data, member, most_bytes(self._config)))
            return
        with open_plain(self._data, member) as file:
            yield file

    def _pages(self, place: int) -> list[int]:
        """Return the pages of a file; -1 for one that has a single picture."""
        from deckwright import (  # noqa: PLC0415 # loads the picture libraries
            PICTURE_SUFFIXES,
            TIFF_MARKS,
            PictureError,
            tiff_pages,
        )

        name = self._members[place].name.lower()
        if name.endswith(PICTURE_SUFFIXES) and not name.endswith((".tif", ".tiff")):
            return [-1]
        try:
            with self.file(place) as file:
                pages = tiff_pages(file) if file.read(4) in TIFF_MARKS else []
        except (PictureError, MemberError):
            return [-1]  # what is wrong is said when it is read
        return pages if len(pages) > 1 else [-1]

    def _on_page(self, member: int, page: int) -> Iterator[Place]:
        from deckwright import (  # noqa: PLC0415 # loads the picture libraries
            Box,
            PictureError,
            cards_on_page,
            load_picture,
        )

        try:
            with self.file(member) as file:
                loaded = load_picture(file, self._most, None if page < 0 else page)
        except (PictureError, MemberError):
            yield Place(member, page)
            return
        if loaded.one_card:
            yield Place(member, page)
            return
        try:
            boxes = cards_on_page(loaded.image, self._config.page_order)
        except Exception:  # noqa: BLE001 # one odd picture must not end a whole run
            yield Place(member, page, fault="the cards on this picture cannot be told apart")
            return
        wanted = self._config.cards_a_picture
        if wanted not in {"auto", len(boxes)}:
            fault = f"{len(boxes)} cards are seen on this picture where {wanted} should be"
            yield Place(member, page, fault=fault)
            return
        height, width = loaded.image.shape[:2]
        for number, box in enumerate(boxes, 1):
            whole = box == Box(0, 0, width, height)
            yield Place(member, page, () if whole else box.numbers(), number)
        if not boxes:
            yield Place(member, page)

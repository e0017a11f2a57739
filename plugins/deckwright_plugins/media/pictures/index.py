"""Which picture each card of a deck is in; worked out once a run and kept in a work file."""

from __future__ import annotations

import contextlib
import json
import re
import zlib
from collections import Counter
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from deckwright import UnreadableDeckError, wrapping_of
from deckwright_plugins.media.pictures.finding import Finder, Place
from deckwright_plugins.media.pictures.members import Member, expanded, members_of, opened, plain
from deckwright_plugins.media.pictures.options import PicturesConfig

LOOK, PIECES = ".look.csv", ".look/"
"""Ends of the names of a picture's answers, and of the folder of its enlarged columns."""

DRAWN = "drawn-cards/"
"""Where pictures stand that were drawn, not taken: their names tell no order."""

# as browsers and systems name a second file of a name: "x.look (1).csv", "x.look - Copy.csv"
_LOOKS = re.compile(
    r"(?P<of>.+)\.look(( ?\(\d+\))|( ?[-_]? ?copy( ?\(?\d+\)?)?))?\.csv",
    re.IGNORECASE | re.DOTALL,
)
_HEAD = 512
_PART = re.compile(r"(\.page-\d{4,}\.png)?(\.card-\d{2,}\.png)?$")  # as Index.name has it
_OFFICE = (".xlsx", ".ods", ".docx", ".odt", ".pptx", ".odp")  # zips, and no archives
_SYSTEM = re.compile(r"(^|/)(__MACOSX/|\._|\.DS_Store$|Thumbs\.db$|desktop\.ini$)", re.IGNORECASE)


@dataclass(frozen=True)
class Index:
    """The files and cards of a deck.

    Attributes:
        data: file or folder in which the members lie.
        members: all files.
        places: of the cards, in their order.
        left: name, size and why, of each file that is not read.
        pieces: files that only show what is in others.
    """

    data: str
    members: list[Member]
    places: list[Place]
    left: list[tuple[str, int, str]] = field(default_factory=list)
    pieces: int = 0

    def save(self, path: Path) -> None:
        """Write it into a work file."""
        part = path.with_suffix(".part")
        part.write_text(json.dumps(asdict(self)), encoding="ascii")
        part.replace(path)

    @classmethod
    def load(cls, path: Path) -> Index:
        """Return what `save` wrote."""
        told: dict[str, Any] = json.loads(path.read_text(encoding="ascii"))
        told["members"] = [Member(**member) for member in told["members"]]
        told["places"] = [Place(**{**p, "box": tuple(p["box"])}) for p in told["places"]]
        told["left"] = [(name, size, why) for name, size, why in told["left"]]
        return cls(**told)

    def name(self, place: Place) -> str:
        """Return the name of the picture that a card comes back as."""
        name = self.members[place.member].name
        if place.page >= 0:
            name = f"{name}.page-{place.page + 1:04d}.png"
        return f"{name}.card-{place.number:02d}.png" if place.box else name

    def answers(self, place: Place) -> list[Member]:
        """Return the files with answers about a card; more than one leave open which counts.

        None for a part of a page: which part it is rests on the options, its cut-out does not.
        """
        found = [] if place.box else self._looks.get(self.name(place), [])
        return found if self._count[self.members[place.member].name] == 1 else found * 2

    @cached_property
    def _looks(self) -> dict[str, list[Member]]:
        looks: dict[str, list[Member]] = {}
        for member in self.members:
            if asked := _asked(member.name):
                looks.setdefault(asked, []).append(member)
        return looks

    @cached_property
    def _count(self) -> Counter[str]:
        return Counter(member.name for member in self.members)


def build_index(deck: Path, config: PicturesConfig, work: Path) -> Index:
    """Return the index of a deck.

    Args:
        deck: a file or a folder.
        config: the options.
        work: path of a file that a compressed tar is expanded into.

    Raises:
        UnreadableDeckError: it holds no picture, or something that cannot be in such a deck.
    """
    data = expanded(deck, work)
    members = members_of(deck, data, config.most_files)
    sorter = _Sorter(deck, data, members)
    pictures = sorter.pictures()
    if not pictures:
        what = f"holds no picture among {len(members):,} files" if members else "holds no files"
        if members and members[0].name == deck.name and data.is_file():
            what = "is neither a picture nor a zip or tar of pictures"
        raise UnreadableDeckError(str(deck), what, "a picture is PNG, JPEG, TIFF, BMP or WebP")
    if config.order == "name":
        pictures.sort(key=lambda place: _natural(members[place].name))
    finder = Finder(data, members, config)
    finder.must_open(deck, pictures)
    places = [place for member in pictures for place in finder.places(member)]
    index = Index(str(data), members, places, sorter.left, sorter.pieces)
    index.left.extend(_unasked(index))
    return index


def _unasked(index: Index) -> list[tuple[str, int, str]]:
    """Return the answers about pictures that are not there, as `Index.left` has files."""
    asked = {index.name(place) for place in index.places if not place.box}
    why = "answers about a picture that is not in the deck"
    return [
        (plain(member.name), member.size, why)
        for member in index.members
        if (of := _asked(member.name)) and of not in asked and not _SYSTEM.search(member.name)
    ]


def _asked(name: str) -> str:
    """Return the name of the picture that a file holds answers about; "" where it is no such."""
    found = _LOOKS.fullmatch(name)
    return found["of"] if found else ""


def _natural(name: str) -> list[tuple[int, int, str]]:
    """Return a key by which `card-9` comes before `card-10`; drawn cards stay as they lie."""
    if name.startswith(DRAWN):
        name = DRAWN
    parts = re.split(r"([0-9]+)", name.casefold())
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part]


class _Sorter:
    """Tells pictures from all else in a deck."""

    def __init__(self, deck: Path, data: Path, members: list[Member]) -> None:
        self._deck, self._data, self._members = deck, data, members
        self.left: list[tuple[str, int, str]] = []
        self.pieces = 0

    def pictures(self) -> list[int]:
        """Return the places of the pictures."""
        from deckwright import PICTURE_SUFFIXES  # noqa: PLC0415 # loads the picture libraries

        found = [
            place
            for place, member in enumerate(self._members)
            if not _SYSTEM.search(member.name)
            and not _asked(member.name)
            and (member.name.lower().endswith(PICTURE_SUFFIXES) or self._is_picture(member))
        ]
        names = {self._members[place].name for place in found}
        pieces = {place for place in found if self._shows_another(place, names)}
        self.pieces = len(pieces)
        self._leave(set(found))
        return [place for place in found if place not in pieces]

    def _shows_another(self, place: int, names: set[str]) -> bool:
        owner, within, _ = self._members[place].name.rpartition(PIECES)
        return bool(within) and bool({owner, _PART.sub("", owner)} & names)

    def _is_picture(self, member: Member) -> bool:
        from deckwright import is_picture  # noqa: PLC0415 # loads the picture libraries

        if member.name.lower().endswith(_OFFICE):
            self._must_be_no_answers(member)
            return False
        head = self._head(member)
        if wrapping_of(head) or head.startswith(b"%PDF"):
            kind = "archive" if wrapping_of(head) else "PDF"
            what = f"holds the {kind} {plain(member.name)!r}, which is not opened"
            raise UnreadableDeckError(str(self._deck), what, "unpack it, or take it out")
        return is_picture(head)

    def _must_be_no_answers(self, member: Member) -> None:
        """Refuse answers in the form of a spreadsheet, which would be passed over."""
        if ".look." in member.name.lower():
            what = f"holds the answers {plain(member.name)!r}, which are no CSV"
            raise UnreadableDeckError(str(self._deck), what, "save them from there as CSV")

    def _head(self, member: Member) -> bytes:
        try:
            with opened(self._data, member) as file:
                head = file.read(min(member.packed, _HEAD))
        except OSError:
            return b""
        if member.how == "deflated":
            with contextlib.suppress(zlib.error):
                return zlib.decompressobj(-zlib.MAX_WBITS).decompress(head, _HEAD)
            return b""
        return head

    def _leave(self, taken: set[int]) -> None:
        for place, member in enumerate(self._members):
            if place not in taken and _SYSTEM.search(member.name):
                why = "belongs to the system that made the deck"
                self.left.append((plain(member.name), member.size, why))
            elif place not in taken and not _asked(member.name):
                self.left.append((plain(member.name), member.size, "is no picture"))

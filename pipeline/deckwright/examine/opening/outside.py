"""What a file is, and its medium by what its bytes tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from deckwright.cards.codetable import CodeTable
from deckwright.engine.planning.configs import Configs
from deckwright.errors import UnreadableDeckError
from deckwright.examine.opening.zones import in_words, zones_fit
from deckwright.identify.mediaranking import rank_media
from deckwright.identify.ranking import Ranking
from deckwright.plugin.media import Medium
from deckwright.plugin.registry import Registry

_HEAD = 1_024
_LOOKED_AT = 1 << 20
_BMP_HEAD = 14
_PICTURES = (
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),
    (b"MM\x00+", "TIFF"),
)
"""Marks of pictures that are opened; from memory, but PNG: RFC 2083."""

_NO_DECKS = (
    (b"GIF8", "a GIF picture, which is not opened: save it as PNG or TIFF"),
    (b"%PDF-", "a PDF document"),
    (b"\x7fELF", "a program"),
    (b"SQLite format 3\x00", "an SQLite database"),
    (b"PAR1", "a Parquet file"),
    (b"\xfd7zXZ\x00", "an xz archive, which is not opened: unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive, which is not opened: unpack it first"),
    (b"BZh", "a bzip2 archive, which is not opened: unpack it first"),
)
"""Marks of files that are no decks; from memory, but PNG: RFC 2083, PDF: ISO 32000-1."""


@dataclass(slots=True)
class OpenDeck:
    """A deck as it can be read.

    deck: as named; path: the file with its cards, another where the deck is wrapped. options: the
    table `medium` of a job; inner: of the medium that reads `path`, None where a person must
    choose. doubts: what is open though everything can be read. question: what a person must choose,
    where that is not the medium. keeps: what must live as long as `path` is wanted.
    """

    deck: Path
    path: Path
    options: dict[str, object]
    inner: dict[str, object] | None
    ranking: Ranking | None
    doubts: list[str] = field(default_factory=list)
    question: str = ""
    keeps: object = None


class Media:
    """Makes media from tables of options; codes of one's own lie in `codes` where one works."""

    def __init__(self) -> None:
        self.configs = Configs(Path("examined.toml"), Registry())
        self.folders = [folder for folder in (Path("codes"),) if folder.is_dir()]

    def medium(self, options: Mapping[str, object]) -> Medium[Any]:
        """Return a medium.

        Raises:
            OptionProblem, ValidationError, PluginError: see `Configs.medium`.
        """
        return self.configs.medium(options)

    def code(self, name: str) -> CodeTable:
        """Return a code."""
        return self.configs.code(name)


def must_be_a_deck(deck: Path) -> bytes:
    """Return the first bytes of a file that can be a deck.

    Raises:
        UnreadableDeckError: it is empty, no file, or something else for certain.
    """
    name = str(deck)
    if deck.is_dir():
        raise UnreadableDeckError(name, "is a folder", "name the files in it")
    if not deck.exists():
        raise UnreadableDeckError(name, "does not exist", "correct the path")
    if not deck.is_file():
        raise UnreadableDeckError(name, "is not a file", "copy the deck into one")
    try:
        with deck.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        raise UnreadableDeckError(name, f"cannot be read: {error.strerror}") from error
    if not head:
        raise UnreadableDeckError(name, "holds no cards: the file is empty", "copy it again")
    if kind := picture_kind(head):
        remedy = "read it as pictures are: --medium 'kind = \"pictures\"'"
        raise UnreadableDeckError(name, f"is a {kind} picture", remedy)
    for mark, what in _NO_DECKS:
        if head.startswith(mark):
            raise UnreadableDeckError(name, f"is {what}, not a file of cards")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise UnreadableDeckError(name, "is in UTF-16", "save it in a single-byte code first")
    return head


def picture_kind(head: bytes) -> str:
    """Return which kind of picture the first bytes of a file are those of; '' where of none."""
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WebP"
    if head[:2] == b"BM":  # two letters are not enough: its size must follow, and two zero words
        return "BMP" if len(head) > _BMP_HEAD and head[6:10] == bytes(4) else ""
    return next((kind for mark, kind in _PICTURES if head.startswith(mark)), "")


def ranked(deck: Path, path: Path, media: Media, code: str | None) -> OpenDeck:
    """Return a deck by what its bytes at `path` tell.

    Raises:
        UnreadableDeckError: no medium can read it.
        UnknownCodeError: there is no such code.
    """
    names = [code] if code else None
    ranking = in_words(rank_media(path, names, media.folders, zones_fit))
    if not ranking.candidates:
        raise UnreadableDeckError(str(deck), "is no deck that any medium can read")
    options = dict(ranking.candidates[0].options)
    inner = dict(options) if ranking.sure else None
    doubts = [ranking.doubt] if ranking.doubt else []
    if options.get("kind") == "text" and (shifted := _lines_in_utf8(path)):
        doubts.append(
            f"{shifted:,} of the lines looked at are UTF-8 with letters that take several bytes, "
            "so their columns are shifted: save the deck in a single-byte code first"
        )
    return OpenDeck(deck, path, dict(options), inner, ranking, doubts)


def _lines_in_utf8(path: Path) -> int:
    """Return how many of the first lines hold letters beyond ASCII in UTF-8; 0 in another code."""
    with path.open("rb") as file:
        lines = file.read(_LOOKED_AT).split(b"\n")[:-1]
    beyond = [line for line in lines if not line.isascii()]
    try:
        for line in beyond:
            line.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError:
        return 0
    return sum(not line.removeprefix(b"\xef\xbb\xbf").isascii() for line in beyond)

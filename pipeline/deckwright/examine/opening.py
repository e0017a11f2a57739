"""Finding out what a deck lies on: what the file is, its medium, the folder for what it wraps."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.codes import ASCII_LATIN, CodeTable, load_code
from deckwright.cards.mediaranking import rank_media
from deckwright.cards.ranking import Ranking
from deckwright.cards.wrappings import wrapping_of
from deckwright.engine.configs import Configs
from deckwright.errors import DeckError, UnreadableDeckError
from deckwright.examine.zones import in_words, zones_fit
from deckwright.plugin.media import Medium, MediumConfig, RawTray, Span, Survey
from deckwright.plugin.registry import Registry

_HEAD = 1_024
_PICTURES = (
    (b"\x89PNG\r\n\x1a\n", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"GIF8", "a GIF picture"),
    (b"%PDF-", "a PDF document"),
    (b"\x7fELF", "a program"),
    (b"SQLite format 3\x00", "an SQLite database"),
    (b"PAR1", "a Parquet file"),
    (b"\xfd7zXZ\x00", "an xz archive, which is not opened"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive, which is not opened"),
    (b"BZh", "a bzip2 archive, which is not opened"),
)
"""Marks of files that are no decks; from memory, but PNG: RFC 2083, PDF: ISO 32000-1."""


class MediumTextError(DeckError):
    """The options of --medium cannot be used."""

    exit_code = 2

    def __init__(self, text: str, what: str) -> None:
        super().__init__(
            f"--medium {text!r} {what}; write it as in a job: "
            '\'{ kind = "blocks", code = "cp037" }\''
        )


@dataclass(slots=True)
class OpenDeck:
    """A deck as it can be read.

    deck: as named; path: the file with its cards, another where the deck is wrapped. options: the
    table `medium` of a job; inner: of the medium that reads `path`, None where a person must
    choose. keeps: what must live as long as `path` is wanted.
    """

    deck: Path
    path: Path
    options: dict[str, object]
    inner: dict[str, object] | None
    ranking: Ranking | None
    keeps: object = None


class _ProbeConfig(MediumConfig):
    kind: str = "probe"
    code: str = "ascii"


class _Probe(Medium[_ProbeConfig]):
    """Stands inside a wrapping and remembers which file it was given."""

    kind = "probe"

    def __init__(self) -> None:
        super().__init__(_ProbeConfig(), load_code("ascii"))
        self.path: Path | None = None

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        self.path = deck
        return Survey(0, 0, [])

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        return iter(())

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: object = ASCII_LATIN,
    ) -> bytes:
        return b""


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


def open_deck(
    deck: Path, media: Media, medium: Mapping[str, object] | None, code: str | None
) -> OpenDeck:
    """Find out what a deck lies on, without reading it.

    Args:
        deck: the file.
        media: makes media.
        medium: a table of options that a person named, None to find out.
        code: a code that a person named.

    Raises:
        UnreadableDeckError: it is no file of cards.
        UnknownCodeError: there is no such code.
    """
    head = must_be_a_deck(deck)
    if medium is not None:
        options = {**medium, **({"code": code} if code else {})}
        return OpenDeck(deck, deck, options, options, None)
    if wrapping_of(head):
        return _open_wrapped(deck, media, code)
    return _ranked(deck, deck, media, code)


def parse_medium(text: str) -> dict[str, object]:
    """Return the table that --medium gives.

    Raises:
        MediumTextError: it is none.
    """
    table = text.strip()
    table = table if table.startswith("{") else f"{{ {table} }}"
    try:
        options: dict[str, object] = tomllib.loads(f"medium = {table}")["medium"]
    except tomllib.TOMLDecodeError as error:
        raise MediumTextError(text, f"is not TOML ({error})") from None
    if not isinstance(options.get("kind"), str):
        raise MediumTextError(text, "lacks the key 'kind'")
    return options


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
    for mark, what in _PICTURES:
        if head.startswith(mark):
            raise UnreadableDeckError(name, f"is {what}, not a file of cards")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise UnreadableDeckError(name, "is in UTF-16", "save it in a single-byte code first")
    return head


def _open_wrapped(deck: Path, media: Media, code: str | None) -> OpenDeck:
    kind = media.configs.registry.medium("wrapped")
    probe = _Probe()
    config = kind.config_model.model_validate({"kind": "wrapped", "inside": {"kind": "probe"}})
    wrapped = kind(config, probe.code).with_media(lambda _: probe)
    wrapped.survey(deck, 1)
    path = probe.path or deck
    must_be_a_deck(path)
    found = _ranked(deck, path, media, code)
    found.options = {"kind": "wrapped", "inside": found.options}
    found.keeps = wrapped
    return found


def _ranked(deck: Path, path: Path, media: Media, code: str | None) -> OpenDeck:
    names = [code] if code else None
    ranking = in_words(rank_media(path, names, media.folders, zones_fit))
    if not ranking.candidates:
        raise UnreadableDeckError(str(deck), "is no deck that any medium can read")
    options = dict(ranking.candidates[0].options)
    return OpenDeck(deck, path, dict(options), dict(options) if ranking.sure else None, ranking)

"""Decks of pictures: every place of every card read, and what is not sure given back to people.

A column that is not sure is never data: the card comes back with its own picture, the column
enlarged, and a form in which a person writes what is punched there. The tar with what came back,
forms filled in, is a deck like any other.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright import (
    ILLEGAL,
    Alphabet,
    Closing,
    CodeTable,
    HoleMedium,
    Medium,
    OddCards,
    OptionProblem,
    RawTray,
    Span,
    Survey,
    UnreadableDeckError,
    hookimpl,
)
from deckwright_plugins.media.pictures.files import most_bytes
from deckwright_plugins.media.pictures.finding import Place
from deckwright_plugins.media.pictures.index import DRAWN, Index, build_index
from deckwright_plugins.media.pictures.members import (
    MemberError,
    bytes_there,
    printable,
    read_member,
)
from deckwright_plugins.media.pictures.options import PicturesConfig

_WIDTH = 80
_NEEDED = {"cv2": "opencv-python-headless", "PIL": "Pillow"}
_KEPT = 4  # indexes that a process keeps

_indexes: dict[str, Index] = {}
"""Indexes by key of deck and options. A medium of another code has no need to make its own."""
_last: dict[tuple[str, int, int], list[Any]] = {}
"""The cards of the span that this process read last, for a medium that tries another code."""


class Pictures(HoleMedium[PicturesConfig]):
    """Cards seen, not read by a machine."""

    kind = "pictures"
    takes_folders = True
    keeps_originals = True
    effort = 5_000

    def __init__(self, config: PicturesConfig, code: CodeTable) -> None:
        super().__init__(config, code)
        self._folder: Path | None = None
        self._folder_of_its_own: Path | None = None
        others = config.model_dump(mode="json", exclude={"code", "codes"})
        self._options = json.dumps(others, sort_keys=True)

    @override
    def with_media(self, make: Callable[[Mapping[str, object]], Medium[Any]]) -> Self:
        """Check that the libraries are there.

        Raises:
            OptionProblem: one is not installed.
        """
        missing = [name for module, name in _NEEDED.items() if not _installed(module)]
        if missing:
            what = f"pictures need the package {missing[0]}; install deckwright[pictures]"
            raise OptionProblem(what)
        if self.config.printed_line == "compare":
            from deckwright import can_recognise  # noqa: PLC0415 # loads the picture libraries

            if not can_recognise():
                what = "printed_line = 'compare' needs the program tesseract; install it"
                raise OptionProblem(what)
        return self

    @override
    def use_folder(self, folder: Path) -> None:
        """Take a folder for indexes and notes; all processes of a run share it."""
        self._folder = folder

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        cards = len(self._index(deck).places)
        step = min(cards_a_span, self.config.cards_a_task)
        spans = [
            Span(number, first, 0, first + 1, min(step, cards - first))
            for number, first in enumerate(range(0, cards, step))
        ]
        return Survey(cards, _WIDTH, spans)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        key = (self._key(deck), span.first_card, span.cards)
        if self._folder is None and key in _last:
            cards = _last[key]
            for start in range(0, len(cards), cards_a_tray):
                yield self._tray(span.first_card + start, cards[start : start + cards_a_tray])
            return
        all_seen: list[Any] = []
        for first, cards in self._looked_at(deck, span, cards_a_tray):
            all_seen += cards
            yield self._tray(first, cards)
        _last.clear()
        _last[key] = all_seen

    def _looked_at(
        self, deck: Path, span: Span, cards_a_tray: int
    ) -> Iterator[tuple[int, list[Any]]]:
        """Read the pictures of a span; note what is wanted for the report and for what returns."""
        from deckwright_plugins.media.pictures.back import form_files  # noqa: PLC0415 # they load libraries
        from deckwright_plugins.media.pictures.bench import SpanNotes  # noqa: PLC0415
        from deckwright_plugins.media.pictures.desk import Desk  # noqa: PLC0415

        index = self._index(deck)
        _must_hold(index, deck, span.first_card + span.cards - 1)
        desk = Desk(self.config, index, self._said)
        notes = SpanNotes(len(index.places))
        end = span.first_card + span.cards
        for first in range(span.first_card, end, cards_a_tray):
            cards = []
            for card in range(first, min(first + cards_a_tray, end)):
                seen = desk.seen(card)
                if self._folder is not None:
                    notes.add(seen, self._said(seen.holes))
                    name = index.name(index.places[card - 1])
                    self._keep_form(deck, card, b"".join(form_files(seen, name)))
                seen.image = None
                cards.append(seen)
            yield first, cards
        if self._folder is not None:
            notes.write(self._folder, f"{self._key(deck)}-{span.first_card:09d}")

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        from deckwright import clean_card, png_of  # noqa: PLC0415 # loads the picture libraries
        from deckwright_plugins.media.pictures.back import entry  # noqa: PLC0415

        holes = self.holes_of(text, holes, alphabet)
        if text.shape[1] > _WIDTH:
            msg = f"a card has {_WIDTH} columns, not {text.shape[1]}"
            raise ValueError(msg)
        pieces = []
        for line, patterns in zip(text, holes, strict=True):
            full = np.zeros(_WIDTH, np.uint16)
            full[: len(patterns)] = patterns
            png = png_of(clean_card(full, alphabet.decode(line.tobytes())), drawn=True)
            # the place of a card in the deck is not known here, so its name cannot tell it
            name = f"{DRAWN}{hashlib.sha256(png).hexdigest()[:16]}.png"
            pieces.append(entry(name, png))
        return b"".join(pieces)

    @override
    def original(self, deck: Path, card: int) -> Iterator[bytes]:
        """Yield the picture of a card and what lies beside it, as they stand in a tar."""
        from deckwright import PictureError  # noqa: PLC0415 # loads the picture libraries
        from deckwright_plugins.media.pictures.back import entry, entry_of_pieces  # noqa: PLC0415

        index = self._index(deck)
        _must_hold(index, deck, card)
        place = index.places[card - 1]
        name = index.name(place)
        try:
            yield entry(name, self._picture(index, place))
        except (MemberError, PictureError):  # as it lies there, with whatever is wrong with it
            member = index.members[place.member]
            yield from entry_of_pieces(member.name, lambda: bytes_there(Path(index.data), member))
        form = self._form(deck, card)
        if form is not None and form.exists():
            yield form.read_bytes()

    @override
    def original_name(self, deck: Path, card: int) -> str:
        index = self._index(deck)
        _must_hold(index, deck, card)
        return printable(index.name(index.places[card - 1]))

    @override
    def returned_name(self, name: str) -> str:
        stem = name
        for suffix in (".gz", ".tgz", ".tar", ".zip"):
            stem = stem[: -len(suffix)] if stem.lower().endswith(suffix) else stem
        return f"{stem or name}.tar"

    @override
    def end(self) -> bytes:
        from deckwright_plugins.media.pictures.back import END  # noqa: PLC0415 # loads libraries

        return END

    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        from deckwright_plugins.media.pictures.report import (  # noqa: PLC0415 # loads libraries
            write_left,
            write_report,
        )

        if self._folder is None:
            return {}
        decks = [Path(deck.path) for deck in closing.decks]
        files = [sorted(self._folder.glob(f"{self._key(deck)}-*.rows.parquet")) for deck in decks]
        indexes = [self._index(deck) for deck in decks]
        left = [
            (deck.name, *one)
            for deck, index in zip(closing.decks, indexes, strict=True)
            for one in index.left
        ]
        facts = write_report(closing, files) | write_left(closing, left)
        pieces = sum(index.pieces for index in indexes)
        return facts | ({"pieces_to_look_at": pieces} if pieces else {})

    @override
    def suffix(self) -> str:
        return "tar"

    def _index(self, deck: Path) -> Index:
        """Return the index of a deck; made once for a deck as it is, and kept for all processes."""
        key = self._key(deck)
        known = _indexes.get(key)
        if known is not None and Path(known.data).exists():
            return known
        folder = self._folder or self._own_folder()
        path = folder / f"{key}.index.json"
        if not path.exists():
            build_index(deck, self.config, folder / f"{key}.tar").save(path)
        while len(_indexes) >= _KEPT:
            _indexes.pop(next(iter(_indexes)))
        _indexes[key] = Index.load(path)
        return _indexes[key]

    def _own_folder(self) -> Path:
        self._folder_of_its_own = self._folder_of_its_own or _passing_folder(self)
        return self._folder_of_its_own

    def _key(self, deck: Path) -> str:
        """Return a name for work files about a deck as it is, read with these options."""
        path = deck.resolve()
        try:
            status = path.stat()
        except OSError as error:
            raise UnreadableDeckError(str(deck), "cannot be read any more") from error
        facts = (str(path), status.st_size, status.st_mtime_ns, self._options)
        return hashlib.sha256(repr(facts).encode()).hexdigest()[:24]

    def _picture(self, index: Index, place: Place) -> bytes:
        """Return the file of a card; for one of several in a file, its part as a PNG.

        Raises:
            MemberError, PictureError: it cannot be opened.
        """
        member = index.members[place.member]
        if place.alone:
            return read_member(Path(index.data), member, most_bytes(self.config))
        from deckwright import png_of  # noqa: PLC0415 # loads the picture libraries
        from deckwright_plugins.media.pictures.desk import Desk  # noqa: PLC0415

        image = Desk(self.config, index, self._said).picture(place)
        origin = f"{printable(member.name)}, card {place.number}" if place.box else ""
        return png_of(image, one_card=origin)

    def _form(self, deck: Path, card: int) -> Path | None:
        return self._folder / f"{self._key(deck)}-{card:09d}.form" if self._folder else None

    def _keep_form(self, deck: Path, card: int, data: bytes) -> None:
        path = self._form(deck, card)
        if path is not None and data:
            part = path.with_suffix(".part")
            part.write_bytes(data)
            part.replace(path)

    def _said(self, holes: NDArray[np.uint16]) -> str:
        return self.code.alphabet.decode(self.text_of(holes).tobytes())

    def _tray(self, first: int, cards: Sequence[Any]) -> RawTray:
        holes = np.stack([seen.holes for seen in cards])
        known = np.stack([seen.known for seen in cards])
        text = np.where(known, self.text_of(holes), ILLEGAL).astype(np.uint8)
        return RawTray(first, text, holes, None, _odd(cards))


def _odd(cards: Sequence[Any]) -> list[OddCards]:
    """Return what is odd about cards; those of which the same is said stand together."""
    found: dict[tuple[str, str, Any, bool], list[tuple[int, int]]] = {}
    for row, seen in enumerate(cards):
        for odd in seen.odd:
            key = (odd.reason, odd.detail, odd.severity, odd.column > 0)
            found.setdefault(key, []).append((row, odd.column))
    return [
        OddCards(
            np.array([row for row, _ in places], np.intp),
            reason,
            detail,
            np.array([column for _, column in places], np.intp) if has_column else None,
            severity,
        )
        for (reason, detail, severity, has_column), places in found.items()
    ]


def _passing_folder(owner: object) -> Path:
    """Return a folder that goes when its owner does."""
    folder = Path(tempfile.mkdtemp(prefix="deckwright-"))
    weakref.finalize(owner, shutil.rmtree, folder, ignore_errors=True)
    return folder


def _installed(module: str) -> bool:
    return importlib.util.find_spec(module) is not None


def _must_hold(index: Index, deck: Path, card: int) -> None:
    """Check that a deck still has a card; its index is made anew when it has changed."""
    if card > len(index.places):
        what = "was changed while it was read"
        raise UnreadableDeckError(str(deck), what, "run again when nothing writes to it")


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `pictures`."""
    return [Pictures]

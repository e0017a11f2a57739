"""The shape of a medium: how the bytes of a deck become cards, and cards bytes again."""

from __future__ import annotations

import warnings
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, ClassVar, Generic, Self, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright.cards.codetable import ILLEGAL, Alphabet, CodeTable, translation
from deckwright.cards.holes import format_pattern
from deckwright.errors import DeckError
from deckwright.jobs.base import ConfigModel
from deckwright.jobs.codespecs import CodeRangeSpec
from deckwright.plugin.guard import UNNAMED, guard
from deckwright.plugin.values import Closing, RawTray, Span, Survey

WIDEST = 32_760
"""The most columns that a record may have."""

_COLUMNS = 80

BLANK = 32
"""The internal byte of a blank."""


class UnwritableError(DeckError):
    """Cards hold a character that the medium's code lacks.

    Attributes:
        row: place (from 0) of the first such card among those given.
        column: its first such column, from 1.
        character: what stands there; "" for a byte or pattern that is no character.
        rows: int (k), places of all such cards.
    """

    def __init__(
        self,
        row: int,
        column: int,
        character: str,
        *,
        code: str,
        rows: NDArray[np.intp],
        what: str = "",
    ) -> None:
        self.row, self.column, self.character, self.code = row, column, character, code
        self.rows = rows
        found = what or (f"the character {character!r}" if character else "no known character")
        super().__init__(
            f"column {column} holds {found}, which cannot be written in code {code!r}",
        )


class MediumConfig(ConfigModel):
    """Options of a medium; every medium has these."""

    kind: str
    """Which medium."""

    code: str = "ascii"
    """What its bytes or holes stand for."""

    codes: list[CodeRangeSpec] = Field(default_factory=list)
    """Columns that are punched in another code."""


ConfigT = TypeVar("ConfigT", bound=MediumConfig)


_GUARDED = {
    "__init__": None, "survey": Survey, "read": None, "encode": bytes, "with_media": None,
    "has_holes": bool, "use_folder": None, "settle_in": None, "record": bytes, "like": None,
    "original": None, "original_name": str,
    "returned_name": str, "end": bytes, "finish": dict, "suffix": str, "card_bytes": None,
    "card_columns": None, "longest_line": None,
    "text_of": None, "holes_of": None,
}  # fmt: skip


class Medium(ABC, Generic[ConfigT]):
    """A way to hold cards in a file. Holds no state of a run; made once in each process.

    `read` must give the same cards however a deck is cut into spans and trays, and what `encode`
    writes must read back as the same cards.
    """

    kind: ClassVar[str]
    config_model: ClassVar[type[MediumConfig]]
    origin: ClassVar[str] = UNNAMED
    """The distribution that brought it."""
    takes_folders: bool = False
    """Whether a folder may be a deck."""
    keeps_originals: bool = False
    """Whether cards that come back are those of `original`, and not encoded anew."""
    effort: int = 1
    """How many cards of text are read in the time of one card of this medium, roughly."""

    @override
    def __init_subclass__(cls, **kwargs: object) -> None:
        super().__init_subclass__(**kwargs)
        for base in getattr(cls, "__orig_bases__", ()):
            for argument in get_args(base):
                if isinstance(argument, type) and issubclass(argument, MediumConfig):
                    cls.config_model = argument
        if "settle_in" in cls.__dict__:
            msg = f"{cls.__qualname__}.settle_in is called use_folder now"
            warnings.warn(msg, DeprecationWarning, stacklevel=2)
        guard(cls, Medium, _GUARDED)

    def __init__(self, config: ConfigT, code: CodeTable) -> None:
        """Take options and the code that they name.

        Raises:
            UnfitCodeError: the medium cannot hold this code.
        """
        self.config = config
        self.code = code

    @abstractmethod
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        """Count the cards of a deck and cut it into spans.

        Raises:
            UnreadableDeckError: the deck is empty or its bytes do not make whole cards.
        """

    @abstractmethod
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        """Read a span, tray by tray, in order.

        Raises:
            UnreadableDeckError: the deck is not what it was at the survey.
        """

    @abstractmethod
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        """Return cards as the medium's bytes.

        Args:
            text: uint8 (n, L), internal bytes of `alphabet`.
            holes: uint16 (n, L) patterns, where the cards have them.
            lengths: uint16 (n), columns to write of each card where the medium can write less.
            alphabet: what the internal bytes of `text` stand for.

        Raises:
            UnwritableError: the medium's code lacks a character.
        """

    def with_media(
        self,
        make: Callable[[Mapping[str, object]], Medium[Any]],  # noqa: ARG002 # for a medium in another
    ) -> Self:
        """Return the medium with the one inside it, which `make` makes from a table of options."""
        return self

    def has_holes(self) -> bool:
        """Return whether it holds patterns, so that `encode` writes holes and not characters."""
        return False

    def use_folder(self, folder: Path) -> None:
        """Take a folder for work files; every process of a run is given the same one."""
        old = getattr(self, "settle_in", None)  # what it was called up to version 0.1
        if old is not None:
            old(folder)

    def record(self, record: bytes) -> bytes:
        """Return an original record, as `OddCards.records` holds it, as it stands in a deck."""
        return record

    def like(self, deck: Path) -> Self:  # noqa: ARG002 # for media that differ from deck to deck
        """Return the medium as it must be to write cards in the very form of a deck it reads."""
        return self

    def original(self, deck: Path, card: int) -> Iterator[bytes]:
        """Yield a card of a deck (from 1) as it came; asked for if `keeps_originals`."""
        raise NotImplementedError

    def original_name(self, deck: Path, card: int) -> str:  # noqa: ARG002 # for media of files
        """Return the name of the file in which a card (from 1) comes back, "" for none."""
        return ""

    def returned_name(self, name: str) -> str:
        """Return the file name for cards that come back of a deck of this name."""
        return name

    def end(self) -> bytes:
        """Return what stands after the last card that comes back."""
        return b""

    def finish(self, closing: Closing) -> dict[str, int | str]:  # noqa: ARG002 # for others
        """Do what is done once a run, after the last card; return facts for the control sheet.

        Work files of all processes lie in the folder that `use_folder` was given.
        """
        return {}

    def suffix(self) -> str:
        """Return the file suffix for decks of this medium, without the dot."""
        return "dat"

    def card_bytes(self) -> int | None:
        """Return how many bytes every card has in a deck; None where that differs."""
        return None

    def card_columns(self) -> int | None:
        """Return how many columns every card of a written deck has; None where that differs.

        Cards are filled up to that, and wider ones refused, before `encode` is given them.
        """
        if self.card_bytes() is None:
            return None
        return int(getattr(self.config, "record_length", _COLUMNS))

    def longest_line(self) -> int | None:
        """Return how many bytes a card has at most, before its line end, where each is a line.

        Such a card ends in LF or CR LF, or in CR in a deck without any LF. A deck that ends inside
        a line may be half a deck, so the service waits before it takes that. 0: cards have any
        number of bytes, or several lines. None: cards are no lines.
        """
        return None

    def own_text(self, text: NDArray[np.uint8], alphabet: Alphabet) -> NDArray[np.uint8]:
        """Return text (n, L) of another alphabet as internal bytes of this medium's code.

        Raises:
            UnwritableError: the code lacks a character.
        """
        if alphabet.characters == self.code.alphabet.characters:
            return text
        table = translation(alphabet, self.code.alphabet)
        self.must_fit(text, table >= 0, alphabet)
        return translate(text, table.astype(np.uint8).tobytes())

    def must_fit(
        self,
        text: NDArray[np.uint8],
        fits: NDArray[np.bool_],
        alphabet: Alphabet,
    ) -> None:
        """Check that every byte of text (n, L) is one that fits, bool (256).

        Raises:
            UnwritableError: some byte does not.
        """
        if not strangers(text, fits):
            return
        misfit = ~fits[text]
        rows = np.flatnonzero(misfit.any(axis=1))
        row, column = int(rows[0]), int(misfit[rows[0]].argmax())
        character = alphabet.characters[int(text[row, column])] or ""
        raise UnwritableError(row, column + 1, character, code=self.code.name, rows=rows)

    def must_be_characters(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> None:
        """Check that no column (n, L) holds a pattern that the text cannot tell.

        Such a column has the internal byte 0x1A, and holes other than those of that character.

        Raises:
            UnwritableError: some column does, so a medium without holes would lose it.
        """
        if holes is None:
            return
        lost = text == ILLEGAL
        if alphabet.characters[ILLEGAL] is not None:
            lost &= holes != _SUBSTITUTE
        rows = np.flatnonzero(lost.any(axis=1))
        if not rows.size:
            return
        row, column = int(rows[0]), int(lost[rows[0]].argmax())
        what = f"the holes {format_pattern(int(holes[row, column]))}"
        raise UnwritableError(row, column + 1, "", code=self.code.name, rows=rows, what=what)


_SUBSTITUTE = 0x007
"""9-8-7: the pattern of SUB in the 8-bit card codes and in the ASCII card code."""


def translate(text: NDArray[np.uint8], table: bytes) -> NDArray[np.uint8]:
    """Return text (n, L) with every byte looked up in a table of 256."""
    return np.frombuffer(text.tobytes().translate(table), np.uint8).reshape(text.shape)


def strangers(text: NDArray[np.uint8], known: NDArray[np.bool_]) -> bool:
    """Return whether text (n, L) has a byte outside the known ones, bool (256)."""
    return bool(text.tobytes().translate(None, np.flatnonzero(known).astype(np.uint8).tobytes()))


def first_columns(
    odd: NDArray[np.bool_],
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the rows (k) of bool (n, L) that have any, and the first column (from 1) of each."""
    rows = np.flatnonzero(odd.any(axis=1))
    return rows, odd[rows].argmax(axis=1) + 1

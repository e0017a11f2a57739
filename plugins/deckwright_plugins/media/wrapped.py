"""Decks that lie compressed, or alone in an archive: any other medium lies inside.

Decks that are written are compressed with gzip, zstd, xz or bzip2, piece by piece, which such files
allow. A zip or tar cannot be written piece by piece: under `zip`, `tar` and `auto` a written deck
is not wrapped, and one that is not wrapped is read as it is.
"""

from __future__ import annotations

import bz2
import gzip
import hashlib
import lzma
import os
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator
from typing_extensions import override

from deckwright import (
    Alphabet,
    CodeTable,
    Medium,
    MediumConfig,
    OptionProblem,
    RawTray,
    Span,
    Survey,
    UnreadableDeckError,
    Wrapping,
    hookimpl,
    wrapping_of,
)
from deckwright_plugins.shared.streams import zstd_package
from deckwright_plugins.shared.unwrap import expand, files_in, read_start

GIBIBYTE = 1 << 30

_LEVEL = 6
_ZSTD_LEVEL = 3
_SUFFIXES = {"gzip": ".gz", "zstd": ".zst", "xz": ".xz", "bzip2": ".bz2"}


class WrappedConfig(MediumConfig):
    """Another medium inside gzip, zstd, xz, bzip2, or a zip or (compressed) tar of one file."""

    kind: str = "wrapped"
    """Which medium."""

    code: str = "ascii"
    """The code of the medium inside, where that names none."""

    inside: dict[str, Any]
    """The medium inside: a table with `kind` and its options."""

    wrapped: Literal["auto", "none", "gzip", "zstd", "xz", "bzip2", "zip", "tar"] = "auto"
    """What the deck is wrapped in; auto: as its first bytes say, or in nothing."""

    member: str = ""
    """Which file of a zip or tar that holds several."""

    limit: Annotated[int, Field(ge=1)] = GIBIBYTE
    """Bytes above which a deck is not expanded."""

    @property
    def record_length(self) -> int | str:
        """Columns of every card, as the medium inside says."""
        length = self.inside.get("record_length", 80)
        return length if isinstance(length, (int, str)) else 80

    @field_validator("inside")
    @classmethod
    def _must_be_another(cls, inside: dict[str, Any]) -> dict[str, Any]:
        if inside.get("kind") == "wrapped":
            msg = "only one wrapping is opened"
            raise ValueError(msg)
        if inside.get("kind") == "pictures":
            msg = "pictures come in zip and tar as they are; name that medium alone"
            raise ValueError(msg)
        return inside


class Wrapped(Medium[WrappedConfig]):
    """Expands a deck into a file and lets the medium inside read that."""

    kind = "wrapped"

    def __init__(self, config: WrappedConfig, code: CodeTable) -> None:
        super().__init__(config, code)
        self._inside: Medium[Any] | None = None
        self._make: Callable[[Mapping[str, object]], Medium[Any]] | None = None
        self._folder: Path | None = None

    @override
    def with_media(self, make: Callable[[Mapping[str, object]], Medium[Any]]) -> Self:
        """Make the medium inside.

        Args:
            make: returns the medium that a table of options describes.

        Raises:
            OptionProblem: zstd is asked for and its package is not installed.
        """
        if self.config.wrapped == "zstd" and zstd_package() is None:
            what = "wrapped = 'zstd' needs the package zstandard; install deckwright[zstd]"
            raise OptionProblem(what)
        options = dict(self.config.inside)
        if "code" in self.config.model_fields_set:
            options["code"] = self.config.code
        self._make, self._inside = make, make(options)
        self.code = self._inside.code
        return self

    @override
    def use_folder(self, folder: Path) -> None:
        """Take a folder for expanded decks; all processes of a run share it."""
        self._folder = folder

    @property
    def inside(self) -> Medium[Any]:
        """The medium inside.

        Raises:
            RuntimeError: `with_media` was not called.
        """
        if self._inside is None:
            msg = "a wrapped medium needs with_media before it is used"
            raise RuntimeError(msg)
        return self._inside

    def files(self, deck: Path) -> list[str]:
        """Return the names of the files in a zip or tar; none where a deck is no archive.

        Raises:
            UnreadableDeckError: it is damaged, or holds too many.
        """
        wrapping = self._wrapping(deck)
        return [] if wrapping is None else files_in(deck, wrapping, self.config.limit)

    @override
    def like(self, deck: Path) -> Self:
        with _named(deck):
            return self._around(self.inside.like(self._expanded(deck)))

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        with _named(deck):
            return self.inside.survey(self._expanded(deck), cards_a_span)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        with _named(deck):
            yield from self.inside.read(self._expanded(deck), span, cards_a_tray)

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        return self._compressed(self.inside.encode(text, holes, lengths, alphabet))

    @override
    def record(self, record: bytes) -> bytes:
        return self._compressed(self.inside.record(record))

    @override
    def has_holes(self) -> bool:
        return self.inside.has_holes()

    @override
    def suffix(self) -> str:
        return self.inside.suffix() + _SUFFIXES.get(self.config.wrapped, "")

    @override
    def card_bytes(self) -> int | None:
        return self.inside.card_bytes() if self.config.wrapped == "none" else None

    @override
    def card_columns(self) -> int | None:
        return self.inside.card_columns()

    @override
    def longest_line(self) -> int | None:
        return self.inside.longest_line() if self.config.wrapped == "none" else None

    def _around(self, inside: Medium[Any]) -> Self:
        other = type(self)(self.config, inside.code)
        other._inside, other._make, other._folder = inside, self._make, self._folder  # noqa: SLF001 # its own class
        return other

    def _compressed(self, data: bytes) -> bytes:
        if data and self.config.wrapped == "gzip":
            return gzip.compress(data, _LEVEL, mtime=0)
        if data and self.config.wrapped == "xz":
            return lzma.compress(data)
        if data and self.config.wrapped == "bzip2":
            return bz2.compress(data)
        if data and self.config.wrapped == "zstd":
            made: Any = zstd_package()
            compressed: bytes = made.ZstdCompressor(level=_ZSTD_LEVEL).compress(data)
            return compressed
        return data

    def _expanded(self, deck: Path) -> Path:
        """Return a file with the bytes of the deck inside; made once for a deck as it is."""
        wrapping = self._wrapping(deck)
        if wrapping is None:
            return deck
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="deckwright-"))
            weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        status = deck.stat()
        facts = (deck.resolve(), status.st_size, status.st_mtime_ns, self.config.member)
        name = hashlib.sha256(repr(facts).encode()).hexdigest()[:32]
        path = self._folder / f"{name}.deck"
        if not path.exists():
            self._expand(deck, wrapping, path)
        return path

    def _expand(self, deck: Path, wrapping: Wrapping, path: Path) -> None:
        # another process may expand the same deck at the same time; the first name wins
        part = path.with_name(f"{path.stem}.{os.getpid()}.part")
        try:
            with part.open("wb") as file:
                expand(deck, wrapping, self.config.member, self.config.limit, file)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)

    def _wrapping(self, deck: Path) -> Wrapping | None:
        if self.config.wrapped == "none":
            return None
        head = read_start(deck)
        found = wrapping_of(head)
        asked = self.config.wrapped
        if asked in {"auto", found} or not head:
            return found
        if found is None and asked in {"zip", "tar"}:
            return None
        what = f"is a {found}, not a {asked}" if found else f"does not begin as a {asked} does"
        remedy = "set wrapped = 'auto', or 'none' for a deck that is not wrapped"
        raise UnreadableDeckError(str(deck), what, remedy)


@contextmanager
def _named(deck: Path) -> Iterator[None]:
    """Let what is wrong with the expanded file be said of the deck."""
    try:
        yield
    except UnreadableDeckError as error:
        if error.deck == str(deck):
            raise
        raise UnreadableDeckError(str(deck), error.what, error.remedy) from error


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `wrapped`."""
    return [Wrapped]

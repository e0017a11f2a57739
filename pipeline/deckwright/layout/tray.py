"""The tray: some ten thousand cards that move through the stages together, as columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codetable import CodeTable
from deckwright.cards.matrix import rows_of
from deckwright.cards.values import Values
from deckwright.layout.decks import DECK, DeckLayouts, Decks
from deckwright.layout.expressions import series, values_of
from deckwright.layout.lastcards import LastCards, plain, shifted

_BLANK = 32


class FieldReader(Protocol):
    """What a tray needs of a layout."""

    @property
    def field_names(self) -> list[str]:
        """Names of the fields that the layout reads."""

    def read(
        self,
        text: NDArray[np.uint8],
        names: Iterable[str] | None = None,
        holes: NDArray[np.uint16] | None = None,
        legal: NDArray[np.bool_] | None = None,
        undefined: NDArray[np.bool_] | None = None,
    ) -> dict[str, Values]:
        """Read the named fields of the cards."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A layout in force on a tray: on the text as it was read, or as it now is."""

    layout: FieldReader | DeckLayouts
    native: bool


@dataclass(frozen=True, slots=True, eq=False)
class Tray:
    """Cards as columns. Never changed in place: every step returns a new tray.

    cards: int64 (n), card numbers. text: uint8 (n, L), internal bytes of the code's alphabet.
    holes: uint16 (n, L) patterns, where the medium has them. lengths: uint16 (n) columns that the
    record really had, None when all were full. native: text as it was read, None while `text` is.
    decks: the named decks of the run; None in a job of one deck.
    """

    cards: NDArray[np.int64]
    text: NDArray[np.uint8]
    code: CodeTable
    holes: NDArray[np.uint16] | None = None
    lengths: NDArray[np.uint16] | None = None
    native: NDArray[np.uint8] | None = None
    readings: tuple[Reading, ...] = ()
    added: Mapping[str, Values] = field(default_factory=dict)
    decks: Decks | None = None
    _read: dict[str, Values] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.cards)

    @property
    def names(self) -> list[str]:
        """Names of all fields, those of the earliest layout first."""
        names: dict[str, None] = {} if self.decks is None else {DECK: None}
        for reading in self.readings:
            names.update(dict.fromkeys(reading.layout.field_names))
        names.update(dict.fromkeys(self.added))
        return list(names)

    @property
    def deck(self) -> NDArray[np.uint8]:
        """Of which deck each card is, uint8 (n): its place in `decks.names`, from 0.

        255 for cards that a stage added. All are 0 in a job of one deck.
        """
        if self.decks is None:
            return np.zeros(len(self), np.uint8)
        return self.decks.of(self.cards)

    def named(self, row: int) -> str:
        """Return the card at a place (from 0) as reports name it."""
        card = int(self.cards[row])
        return f"card {card:,} of the run" if self.decks is None else self.decks.named(card)

    @property
    def native_text(self) -> NDArray[np.uint8]:
        """The text as it was read, uint8 (n, L)."""
        return self.text if self.native is None else self.native

    def __getitem__(self, name: str) -> pl.Series:
        """Return a field as a Polars series; missing values are null.

        Raises:
            KeyError: no layout in force and no stage brought a field of this name.
        """
        if name == "card":
            return pl.Series("card", self.cards)
        return series(self.values(name), name, self.code.alphabet)

    def values(self, name: str) -> Values:
        """Return a field as arrays.

        Raises:
            KeyError: no layout in force and no stage brought a field of this name.
        """
        if name in self.added:
            return self.added[name]
        if name == "card":
            return Values("whole", self.cards)
        if name not in self._read:
            self.load([name])
        return self._read[name]

    def load(self, names: Iterable[str]) -> None:
        """Read several fields in one go, so that later look-ups find them."""
        known = {*self.added, *self._read, "card"}
        wanted = {name for name in names if name not in known}
        if self.decks is not None and DECK in wanted:
            self.remember({DECK: self.decks.values(self.deck)})
            wanted.remove(DECK)
        for reading in reversed(self.readings):
            here = wanted.intersection(reading.layout.field_names)
            if here:
                self.remember(self._through(reading, here))
                wanted -= here
        if wanted:
            raise KeyError(min(wanted))

    def _through(self, reading: Reading, names: Iterable[str]) -> dict[str, Values]:
        text = self.native_text if reading.native else self.text
        # holes belong to the card as it was read
        holes = self.holes if reading.native or self.native is None else None
        if isinstance(reading.layout, DeckLayouts):
            assert self.decks is not None  # noqa: S101 # only trays of such jobs are read so
            return reading.layout.read_decks(self.decks, self.deck, text, names, holes)
        return reading.layout.read(
            text, names, holes, legal_patterns(self.code), undefined(self.code)
        )

    def frame(self, names: Iterable[str]) -> pl.DataFrame:
        """Return fields as a Polars frame."""
        names = list(names)
        self.load(name for name in names if name != "card")
        # blanks are cut from all texts at once: a call for each costs more than the cutting
        padded = [name for name in names if name != "card" and _is_padded(self.values(name))]
        frame = pl.DataFrame([self._series(name) for name in names])
        return frame.with_columns(pl.col(padded).str.strip_chars_end(" ")) if padded else frame

    def _series(self, name: str) -> pl.Series:
        if name == "card":
            return pl.Series("card", self.cards)
        return series(self.values(name), name, self.code.alphabet, trim=False)

    def last(self, most: int, names: Iterable[str]) -> LastCards:
        """Return fields of the last cards of the tray, at most so many; `card` is the number."""
        rows = np.arange(max(0, len(self) - most), len(self))
        return LastCards(most, {n: plain(self._numbered(n).take(rows)) for n in names})

    def earlier(self, name: str, before: LastCards | None, by: int = 1) -> pl.Series:
        """Return, for each card, a field of the card so many places earlier; null = there is none.

        Args:
            name: the field; `card` is the card number.
            before: the last cards before this tray, `by` of them at least; None = there were none.
            by: how many places.

        Raises:
            KeyError: the tray, or what is kept of the cards before, has no such field.
            ValueError: fewer cards are kept than must be looked back at.
        """
        if by < 1 or (before is not None and before.most < by):
            kept = "none" if before is None else str(before.most)
            msg = f"cannot look {by} cards back: of the cards before a tray, {kept} are kept"
            raise ValueError(msg)
        were = None if before is None else before.fields[name]
        return series(shifted(self._numbered(name), were, by), name, self.code.alphabet)

    def _numbered(self, name: str) -> Values:
        return Values("whole", self.cards) if name == "card" else self.values(name)

    def remember(self, values: Mapping[str, Values]) -> None:
        """Keep fields that a layout in force has just read from this very tray."""
        for column in values.values():
            _seal(column)
        self._read.update(values)

    def with_field(self, name: str, values: Values | pl.Series) -> Tray:
        """Return the tray with one field more, or one replaced."""
        if isinstance(values, pl.Series):
            values = _from_series(values)
        added = {**self.added, name: values}
        return replace(self, added=added, _read=dict(self._read))

    def with_reading(self, layout: FieldReader | DeckLayouts) -> Tray:
        """Return the tray with a layout in force on the text as it now is."""
        reading = Reading(layout, native=self.native is None)
        return replace(self, readings=(*self.readings, reading), _read=dict(self._read))

    def with_text(self, text: NDArray[np.uint8], layout: FieldReader) -> Tray:
        """Return the tray with new card images, read by this layout; the text as read is kept."""
        if self.native is not None:
            # fields of images that are now replaced must be held, they can be read no more
            gone = [r.layout.field_names for r in self.readings if not r.native]
            held = {n: self.values(n) for names in gone for n in names if n not in self.added}
        else:
            held = {}
        kept = tuple(Reading(r.layout, native=True) for r in self.readings if r.native)
        new = set(layout.field_names)
        added = {n: v for n, v in {**held, **self.added}.items() if n not in new}
        return replace(
            self,
            text=text,
            native=self.native_text,
            readings=(*kept, Reading(layout, native=False)),
            added=added,
            _read={n: v for n, v in self._read.items() if n not in new},
        )

    def seal(self) -> None:
        """Make the arrays read-only, so that no stage can change a card unseen."""
        for array in (self.cards, self.text, self.holes, self.lengths, self.native):
            if array is not None:
                array.setflags(write=False)
        for values in self.added.values():
            _seal(values)

    def keep(self, mask: NDArray[np.bool_] | pl.Series) -> Tray:
        """Return the cards where mask (n) is true; a null counts as false."""
        flags = as_mask(mask)
        return self if flags.all() else self.take(np.flatnonzero(flags))

    def take(self, rows: NDArray[np.integer]) -> Tray:
        """Return the cards at these places (k, from 0), in this order."""
        return replace(
            self,
            cards=self.cards[rows],
            text=rows_of(self.text, rows),
            holes=None if self.holes is None else rows_of(self.holes, rows),
            lengths=None if self.lengths is None else self.lengths[rows],
            native=None if self.native is None else rows_of(self.native, rows),
            added={name: values.take(rows) for name, values in self.added.items()},
            _read={},
        )


def _is_padded(values: Values) -> bool:
    if values.kind != "text" or not values.data.shape[1]:
        return False
    return bool((values.data[:, -1] == _BLANK).any())


def _seal(values: Values) -> None:
    values.data.setflags(write=False)
    if values.missing is not None:
        values.missing.setflags(write=False)


def kept_rows(tray: Tray, kept: Tray) -> NDArray[np.intp]:
    """Return the places (k) in a tray of the cards that were kept of it, in the tray's order."""
    if kept.cards is tray.cards:
        return np.arange(len(tray))
    return np.flatnonzero(is_among(tray.cards, kept.cards))


def is_among(cards: NDArray[np.int64], some: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return bool (n): cards that are among some others."""
    if not len(some):
        return np.zeros(len(cards), np.bool_)
    ordered = np.sort(some)
    places = np.minimum(np.searchsorted(ordered, cards), len(ordered) - 1)
    return np.asarray(ordered[places] == cards)


def as_mask(mask: NDArray[np.bool_] | pl.Series) -> NDArray[np.bool_]:
    """Return bool (n); nulls of a series become false."""
    if isinstance(mask, pl.Series):
        return mask.fill_null(value=False).to_numpy().astype(np.bool_, copy=False)
    return np.asarray(mask, np.bool_)


def legal_patterns(code: CodeTable) -> NDArray[np.bool_] | None:
    """Return bool (4096): patterns that stand for a character; None for a code without holes.

    Where columns stand in codes of their own, a column that is no character of its code shows in
    the text alone: no pattern stands for the internal byte 0x1A then.
    """
    if code.from_holes is None:
        return None
    return np.zeros(len(code.from_holes), np.bool_) if code.parts else code.from_holes >= 0


def undefined(code: CodeTable) -> NDArray[np.bool_] | None:
    """Return bool (256): internal bytes without a character; None when there are none."""
    gaps = ~code.alphabet.defined
    return gaps if gaps.any() else None


def _from_series(column: pl.Series) -> Values:
    """Hold a series as values: integers whole, Decimal decimal, Date date, the rest text."""
    dtype = column.dtype
    if isinstance(dtype, pl.Decimal):
        return values_of(column, "decimal", dtype.scale, 0)[0]
    if dtype.is_integer() or dtype == pl.Boolean:
        return values_of(column.cast(pl.Int64), "whole", 0, 0)[0]
    if dtype == pl.Date:
        return values_of(column, "date", 0, 0)[0]
    if dtype.is_float():
        msg = f"a float cannot be held exactly in field {column.name!r}; cast it to a Decimal first"
        raise TypeError(msg)
    text = column.cast(pl.String)
    width = text.str.len_bytes().max()
    return values_of(text, "text", 0, width if isinstance(width, int) and width else 1)[0]

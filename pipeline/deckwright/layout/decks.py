"""Several named decks in one chain: of which deck a card is, and how each deck is read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.matrix import rows_of
from deckwright.cards.values import Values
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.failures import Failure
from deckwright.layout.reading import Layout
from deckwright.layout.walk import ValueShape
from deckwright.layout.words import put_cells

DECK = "deck"
"""The field that names the deck of a card, in a job of several decks."""

NO_DECK = 255
"""The code of a card that a stage added: it is of no deck."""

DECK_LAYOUTS = "/decks"
"""What the layouts of all decks are called together; no file can have this name."""

Codes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class DeckReading:
    """How one deck is read. legal, undefined: as `Layout.read` takes them, in common bytes.

    has_holes: its medium has patterns.
    """

    name: str
    layout: Layout | None
    has_holes: bool
    legal: NDArray[np.bool_] | None
    undefined: NDArray[np.bool_] | None


@dataclass(frozen=True, slots=True, eq=False)
class Decks:
    """The named decks of a run, in the order of the job.

    firsts: int64 (files), rising, number of the first card of each file. of_file: uint8 (files),
    which deck a file belongs to. columns: uint16 (files), of its records. after: number of the card
    after the last one that arrived.
    """

    readings: tuple[DeckReading, ...]
    firsts: NDArray[np.int64]
    of_file: Codes
    columns: NDArray[np.uint16]
    after: int
    files: tuple[str, ...] = ()
    """What each file is called in reports."""

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the decks."""
        return tuple(reading.name for reading in self.readings)

    def of(self, cards: NDArray[np.int64]) -> Codes:
        """Return uint8 (n): place (from 0) of each card's deck; NO_DECK for added cards."""
        if not len(cards):
            return np.zeros(0, np.uint8)
        codes = self.of_file[np.searchsorted(self.firsts, cards, side="right") - 1]
        if int(cards.max()) >= self.after:
            codes[cards >= self.after] = NO_DECK
        return codes

    def widths(self, cards: NDArray[np.int64], whole: int) -> NDArray[np.uint16]:
        """Return uint16 (n): columns of each card's records; `whole` for added cards."""
        found = self.columns[np.searchsorted(self.firsts, cards, side="right") - 1]
        return np.where(cards >= self.after, whole, found).astype(np.uint16)

    def with_holes(self, codes: Codes) -> NDArray[np.bool_]:
        """Return bool (n): cards that came with patterns of holes."""
        table = np.zeros(NO_DECK + 1, np.bool_)
        table[: len(self.readings)] = [reading.has_holes for reading in self.readings]
        return table[codes]

    def named(self, card: int) -> str:
        """Return a card as reports name it: by its file and its number there."""
        if card >= self.after:
            return f"card {card}, which a stage added"
        file = int(np.searchsorted(self.firsts, card, side="right")) - 1
        place = card - int(self.firsts[file]) + 1
        return f"card {place:,} of {self.files[file]} (card {card:,} of the run)"

    def values(self, codes: Codes) -> Values:
        """Return the names of the decks of cards as a text; missing for added cards."""
        names = self.names
        width = max(map(len, names))
        words = np.full((NO_DECK + 1, width), ord(" "), np.uint8)
        for place, name in enumerate(names):
            words[place, : len(name)] = np.frombuffer(name.encode("ascii"), np.uint8)
        missing = codes == NO_DECK
        return Values("text", words[codes], missing if missing.any() else None)

    def parts(self, codes: Codes) -> Iterator[tuple[int, NDArray[np.intp] | None]]:
        """Yield each deck that has cards here, with their places; None = all cards are of it."""
        present = np.flatnonzero(np.bincount(codes, minlength=1))
        for place in present.tolist():
            if place != NO_DECK:
                yield place, None if len(present) == 1 else np.flatnonzero(codes == place)


class DeckLayouts:
    """The layouts of all decks together; each reads the cards of its own deck.

    A field that the layout of a deck does not have is missing on its cards.
    """

    name = DECK_LAYOUTS

    def __init__(self, layouts: Sequence[tuple[str, Layout | None]]) -> None:
        """Put layouts together.

        Args:
            layouts: name and layout of each deck.

        Raises:
            ValueError: a field is of two kinds; says which.
        """
        self.layouts = [layout for _, layout in layouts]
        self.decks = [name for name, _ in layouts]
        self.shapes: dict[str, ValueShape] = {}
        owners: dict[str, str] = {}
        for deck, layout in layouts:
            for name in layout.field_names if layout else ():
                kind, scale, width = layout.value_kind(name) if layout else ("text", 0, 0)
                known = self.shapes.get(name)
                if known and (known.kind, known.scale) != (kind, scale):
                    raise ValueError(_two_kinds(name, owners[name], known, deck, (kind, scale)))
                owners.setdefault(name, deck)
                self.shapes[name] = ValueShape(kind, scale, max(width, known.width if known else 0))

    @property
    def field_names(self) -> list[str]:
        """Names of the fields of all decks."""
        return list(self.shapes)

    def fields(self, name: str) -> list[FieldSpec]:
        """Return the fields of this name, of all decks that have it."""
        return [spec for layout in self.layouts if layout for spec in layout.fields(name)]

    def columns(self, name: str) -> list[tuple[int, int]]:
        """Return the columns (first, last, from 1) of a field, each place it stands in once."""
        return list(dict.fromkeys(spec.span for spec in self.fields(name)))

    def decks_with(self, name: str) -> tuple[str, ...]:
        """Return the decks that have a field."""
        pairs = zip(self.decks, self.layouts, strict=True)
        return tuple(deck for deck, layout in pairs if layout and name in layout.shapes)

    def read_decks(
        self,
        decks: Decks,
        codes: Codes,
        text: NDArray[np.uint8],
        names: Iterable[str],
        holes: NDArray[np.uint16] | None,
    ) -> dict[str, Values]:
        """Return fields of cards, each read by the layout of its deck.

        Args:
            decks: the decks of the run.
            codes: uint8 (n), which of them each card is of.
            text: uint8 (n, L), internal bytes.
            names: fields to read.
            holes: uint16 (n, L), patterns; not looked at on cards of decks without.
        """
        wanted = list(names)
        found = _Gathered(self.shapes, len(text))
        for place, rows in decks.parts(codes):
            reading = decks.readings[place]
            here = [name for name in wanted if reading.layout and name in reading.layout.shapes]
            if reading.layout is None or not here:
                continue
            cards, patterns = _rows(reading, text, holes, rows)
            values = reading.layout.read(cards, here, patterns, reading.legal, reading.undefined)
            found.add(values, rows)
        return {name: found.whole(name) for name in wanted}

    def check(
        self,
        decks: Decks,
        codes: Codes,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
    ) -> tuple[dict[str, Values], list[Failure]]:
        """Return all fields of cards, and every check that some of them fail, shifted ones too."""
        found = _Gathered(self.shapes, len(text))
        failures: list[Failure] = []
        for place, rows in decks.parts(codes):
            reading = decks.readings[place]
            if reading.layout is None:
                continue
            cards, patterns = _rows(reading, text, holes, rows)
            tables = reading.legal, reading.undefined
            values, failed = reading.layout.check(cards, patterns, *tables)
            if failed:
                failed = [*failed, *reading.layout.shifted(cards, patterns, *tables, failed)]
            found.add(values, rows)
            failures += failed if rows is None else [_moved(one, rows) for one in failed]
        return {name: found.whole(name) for name in self.shapes}, failures


def _two_kinds(
    name: str, first: str, known: ValueShape, second: str, found: tuple[str, int]
) -> str:
    what = "is of two kinds"
    if known.kind == found[0]:
        what = "has two numbers of decimals"
    return f"field {name!r} {what}, in deck {first!r} and in deck {second!r}; rename one"


def _rows(
    reading: DeckReading,
    text: NDArray[np.uint8],
    holes: NDArray[np.uint16] | None,
    rows: NDArray[np.intp] | None,
) -> tuple[NDArray[np.uint8], NDArray[np.uint16] | None]:
    patterns = holes if reading.has_holes else None
    if rows is None:
        return text, patterns
    return rows_of(text, rows), None if patterns is None else rows_of(patterns, rows)


def _moved(failure: Failure, rows: NDArray[np.intp]) -> Failure:
    """Return a failure of some cards with their places among all cards."""
    return replace(failure, rows=rows[failure.rows])


class _Gathered:
    """Puts fields of the cards of several decks together."""

    def __init__(self, shapes: dict[str, ValueShape], count: int) -> None:
        self._shapes, self._count = shapes, count
        self._whole: dict[str, Values] = {}
        self._data: dict[str, tuple[NDArray[Any], NDArray[np.bool_]]] = {}

    def add(self, values: dict[str, Values], rows: NDArray[np.intp] | None) -> None:
        for name, column in values.items():
            shape = self._shapes[name]
            if rows is None and shape.fits(column):
                self._whole[name] = column
                continue
            empty = shape.empty(self._count), np.ones(self._count, np.bool_)
            data, missing = self._data.setdefault(name, empty)
            here = slice(None) if rows is None else rows
            if shape.kind == "text":
                put_cells(data, rows, 1, column.data.astype(np.uint8, copy=False))
            else:
                data[here] = column.data
            missing[here] = False if column.missing is None else column.missing

    def whole(self, name: str) -> Values:
        if name in self._whole:
            return self._whole[name]
        shape = self._shapes[name]
        empty = shape.empty(self._count), np.ones(self._count, np.bool_)
        data, missing = self._data.get(name, empty)
        return Values(shape.kind, data, missing if missing.any() else None, shape.scale)

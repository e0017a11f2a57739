"""Several named decks in one job: what each is read by, and the one stage that brings them all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.codeparts import hole_patterns
from deckwright.cards.codetable import CodeTable
from deckwright.cards.commoncode import common_code
from deckwright.layout.decks import DECK, DeckLayouts, DeckReading, Decks
from deckwright.layout.reading import Layout
from deckwright.layout.tray import Tray, kept_rows, legal_patterns
from deckwright.plugin.book import Book
from deckwright.plugin.media import Medium, translate
from deckwright.plugin.stages import (
    FieldShape,
    Known,
    Most,
    OptionProblem,
    Setting,
    SourceStage,
    StageConfig,
)
from deckwright.plugin.values import Bench, Closing, DeckPart, RawTray

_BLANK = 32


@dataclass(frozen=True, slots=True)
class NamedDeck:
    """One deck of the job. file: the name under `[files]` of what it lies in, empty = given."""

    name: str
    source: SourceStage[Any]
    layout: Layout | None = None
    file: str = ""

    @property
    def medium(self) -> Medium[Any]:
        """Return the medium of its cards."""
        return self.source.medium


class DeckSources(SourceStage[StageConfig]):
    """The first stage of a job of several decks: brings the cards of each by its own source.

    Their text comes in the common code, padded to the widest record.
    """

    kind = "decode"

    def __init__(self, config: StageConfig, setting: Setting, decks: Sequence[NamedDeck]) -> None:
        """Take the decks, which fit each other.

        Raises:
            ValueError: their codes have too many characters between them; says which codes.
        """
        super().__init__(config, setting)
        self.decks = tuple(decks)
        codes = [deck.medium.code for deck in self.decks]
        try:
            self.code, self.shares = common_code(codes)
        except ValueError as error:
            named = (f"{code.name} ({deck.name})" for deck, code in zip(decks, codes, strict=True))
            msg = (
                f"the codes of the decks have too many characters together: {', '.join(named)}; "
                "read one of the decks in a code with characters that the others have too"
            )
            raise ValueError(msg) from error

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the decks."""
        return tuple(deck.name for deck in self.decks)

    @property
    def has_holes(self) -> bool:
        """Return whether some deck has patterns of holes."""
        return any(deck.medium.has_holes() for deck in self.decks)

    def of_run(self, parts: Sequence[DeckPart]) -> Decks:
        """Return the decks with the numbers of their cards in a run."""
        names = self.names
        readings = tuple(
            DeckReading(
                deck.name,
                deck.layout,
                deck.medium.has_holes(),
                legal_patterns(deck.medium.code),
                share.undefined if share.undefined.any() else None,
            )
            for deck, share in zip(self.decks, self.shares, strict=True)
        )
        firsts = np.array([part.first for part in parts], np.int64)
        of_file = np.array([names.index(part.of) for part in parts], np.uint8)
        columns = np.array([part.width for part in parts], np.uint16)
        after = parts[-1].first + parts[-1].cards
        files = tuple(part.name for part in parts)
        return Decks(readings, firsts, of_file, columns, after, files)

    def tray(self, raw: RawTray, part: DeckPart, decks: Decks, width: int) -> Tray:
        """Return what a medium delivered as cards of a run.

        Args:
            raw: cards of one file.
            part: the file.
            decks: all decks of the run.
            width: columns of the widest record of the run.
        """
        place = self.names.index(part.of)
        share = self.shares[place]
        start = part.first + raw.first_card - 1
        cards = np.arange(start, start + len(raw.text), dtype=np.int64)
        own = raw.text.shape[1]
        holes = raw.holes
        if self.has_holes:
            holes = _widened(_holes(raw, share.code), width, 0)
        lengths = raw.lengths
        if own < width and lengths is None:
            lengths = np.full(len(cards), own, np.uint16)
        text = raw.text if share.is_same else translate(raw.text, share.to_common)
        return Tray(
            cards, _widened(text, width, _BLANK), self.code, holes, lengths, decks=decks
        )  # fmt: skip

    def own_cards(self, tray: Tray, part: DeckPart) -> Tray:
        """Return cards of one file as its medium has them: in its code, no wider than it is."""
        place = self.names.index(part.of)
        share, width = self.shares[place], part.width
        text = np.ascontiguousarray(tray.text[:, :width])
        if not share.is_same:
            text = translate(text, share.to_own)
        holes = None
        if tray.holes is not None and self.decks[place].medium.has_holes():
            holes = np.ascontiguousarray(tray.holes[:, :width])
        lengths = tray.lengths
        if lengths is not None and (lengths == width).all():
            lengths = None
        return Tray(tray.cards, text, share.code, holes, lengths)

    @override
    def outline(self, known: Known) -> Known:
        widths = [deck.source.outline(Known()).width for deck in self.decks]
        width = max(len(name) for name in self.names)
        shape = FieldShape("text", width, label="Deck", values=self.names)
        return Known(
            fields={DECK: shape},
            width=max(widths) if all(widths) else 0,
            code=self.code,
            decks=self.names,
        )

    @override
    def prepare(self, bench: Bench) -> None:
        for deck in self.decks:
            deck.source.prepare(self.bench(bench, deck.name))

    @override
    def open(self, bench: Bench) -> None:
        for deck in self.decks:
            deck.source.open(self.bench(bench, deck.name))

    @staticmethod
    def bench(bench: Bench, deck: str) -> Bench:
        """Return the place for work files of one deck."""
        return replace(bench, place=bench.place / deck)

    def most_of(self, deck: str, cards: int) -> Most | None:
        """Return how many returned cards a deck bears, of so many cards that are data."""
        return self.decks[self.names.index(deck)].source.most_returned(cards)

    @override
    def run(self, tray: Tray, book: Book) -> Tray:
        if not len(tray) or tray.decks is None:
            return tray
        place = int(tray.deck[0])  # a span is of one deck
        own = tray.text.shape[1]
        if book.arrival is not None:
            own = book.arrival.text.shape[1]
        narrow = replace(tray, text=np.ascontiguousarray(tray.text[:, :own]), _read={})
        strange = self._strange(place, narrow, book)
        if strange.size:
            code = self.shares[place].code.name
            columns = self.shares[place].undefined[narrow.text[strange]].argmax(axis=1) + 1
            detail = f"the code {code} has no character for a byte of this card"
            book.fault(narrow, strange, "undefined-character", columns=(1, own),
                       column=columns, detail=detail)  # fmt: skip
        out = self.decks[place].source.run(narrow, book)
        if strange.size:
            out = book.settle(out)
        return tray if out.cards is tray.cards else tray.take(kept_rows(tray, out))

    def _strange(self, place: int, tray: Tray, book: Book) -> NDArray[np.intp]:
        """Return the cards that hold a byte which is no character, and were not named by it yet."""
        share = self.shares[place]
        none: NDArray[np.intp] = np.zeros(0, np.intp)
        with_holes = self.decks[place].medium.has_holes()
        if share.code is self.code or with_holes or not share.undefined.any():
            return none
        rows = np.flatnonzero(share.undefined[tray.text].any(axis=1))
        named = [odd.rows for odd in (book.arrival.odd if book.arrival else [])]
        return np.setdiff1d(rows, np.concatenate(named)) if named else rows

    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        facts: dict[str, int | str] = dict(closing.tallies)
        for deck in self.decks:
            mine = [part for part in closing.decks if part.of == deck.name]
            own = replace(
                closing,
                bench=self.bench(closing.bench, deck.name),
                tallies={},
                decks=mine,
                cards=sum(part.cards for part in mine),
                write=partial(_write_for, closing, deck.name),
            )
            found = deck.source.finish(own)
            facts |= {f"{deck.name}: {name}": value for name, value in found.items()}
        return facts


def _write_for(closing: Closing, deck: str, name: str, pieces: Any) -> None:
    closing.write(f"{deck}-{name}", pieces)


def _widened(matrix: NDArray[Any], width: int, blank: int) -> NDArray[Any]:
    count, have = matrix.shape
    if have == width:
        return matrix
    wide = np.full((count, width), blank, matrix.dtype)
    wide[:, :have] = matrix
    return wide


def _holes(raw: RawTray, code: CodeTable) -> NDArray[np.uint16]:
    """Return the patterns of cards, by their code where the medium has none."""
    if raw.holes is not None:
        return raw.holes
    if code.to_holes is None:
        return np.zeros(raw.text.shape, np.uint16)
    return np.maximum(hole_patterns(code, raw.text), 0).astype(np.uint16)


def layouts_of(decks: Sequence[NamedDeck]) -> DeckLayouts:
    """Return the layouts of decks together.

    Raises:
        OptionProblem: they do not fit each other, or a deck; the path begins with its place.
    """
    for place, deck in enumerate(decks):
        layout = deck.layout
        if layout is None:
            continue
        if DECK in layout.field_names:
            what = (
                f"layout {layout.name!r} has a field {DECK!r}, which in a job of several decks is "
                "the name of a card's deck; rename it"
            )
            raise OptionProblem(what, place, "layout")
        if layout.coded_fields():
            what = (
                f"layout {layout.name!r} has fields in codes of their own, which a job of several "
                "decks cannot read; give such a deck a job of its own"
            )
            raise OptionProblem(what, place, "layout")
        width = deck.source.outline(Known()).width
        if width and width < layout.width:
            what = f"layout {layout.name!r} has {layout.width} columns, the records only {width}"
            raise OptionProblem(what, place, "layout")
    for place, deck in enumerate(decks):
        if deck.medium.code.parts and len(decks) > 1:
            what = (
                "columns in codes of their own cannot be read in a job of several decks; give such "
                "a deck a job of its own"
            )
            raise OptionProblem(what, place, "medium")
    try:
        return DeckLayouts([(deck.name, deck.layout) for deck in decks])
    except ValueError as error:
        raise OptionProblem(str(error)) from error

"""Hole transcripts: decks as text that names the holes, column by column or row by row."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator
from typing_extensions import override

from deckwright import (
    ROWS,
    WIDEST,
    Alphabet,
    CodeTable,
    HoleMedium,
    Medium,
    MediumConfig,
    OddCards,
    RawTray,
    Span,
    Survey,
    UnreadableDeckError,
    hookimpl,
)
from deckwright_plugins.media.transcript.lines import Cards, Grouping, line_number, lines_at
from deckwright_plugins.media.transcript.marks import Marks, Names, ambiguous
from deckwright_plugins.shared.lines import LONGEST_LINE

_SHOWN = 40
_LINES = len(ROWS)
_BAD = 2


class TranscriptConfig(MediumConfig):
    """Text that names the holes of every column, or marks them row by row."""

    kind: str = "transcript"
    """Which medium."""

    code: str = "ebcdic"
    """Which character the holes of a column stand for."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] = 80
    """Columns of every card."""

    form: Literal["columns", "rows"] = "columns"
    """A line for each column with the names of its rows; or twelve lines of marks for a card."""

    between: Literal["empty-line", "count"] = "empty-line"
    """Cards are separated by empty lines; or by the number of their lines alone."""

    rows: Annotated[list[str], Field(min_length=12, max_length=12)] = Field(
        default_factory=lambda: [str(row) for row in ROWS]
    )
    """The names of rows 12, 11, 0 and 1 to 9, in this order."""

    joined_by: str = "-"
    """What stands between two names of rows."""

    no_holes: str = "blank"
    """The word for a column without holes; an empty line says it too where lines are counted."""

    order: Literal["12-first", "9-first"] = "12-first"
    """Which of the twelve lines of a card comes first."""

    hole: Annotated[str, Field(min_length=1)] = "1"
    """Every mark that stands for a hole; the first is written."""

    no_hole: Annotated[str, Field(min_length=1)] = "."
    """Every mark that stands for no hole; the first is written."""

    shorter: Literal["pad", "note", "return"] = "pad"
    """A shorter card is filled up with blanks; may also be noted, or returned."""

    longer: Literal["return", "error"] = "return"
    """A longer card is returned, or stops the run."""

    line_end: Literal["lf", "crlf"] = "lf"
    """How lines of a written deck end; left out, returned lines end as those of their deck."""

    @model_validator(mode="after")
    def _must_be_clear(self) -> Self:
        if fault := ambiguous(tuple(self.rows), self.joined_by):
            raise ValueError(fault)
        if not self.no_holes.strip() or self.no_holes in self.rows:
            msg = "no_holes must be a word that names no row"
            raise ValueError(msg)
        marks = self.hole + self.no_hole
        if len(set(marks)) < len(marks) or not marks.isascii():
            msg = "hole and no_hole must be different ASCII characters"
            raise ValueError(msg)
        return self


class Transcript(HoleMedium[TranscriptConfig]):
    """Holes as text."""

    kind = "transcript"

    def __init__(self, config: TranscriptConfig, code: CodeTable) -> None:
        super().__init__(config, code)
        self._names = Names(tuple(config.rows), config.joined_by, config.no_holes)
        self._marks = Marks(config.hole, config.no_hole, config.order == "12-first")
        lines = config.record_length if config.form == "columns" else _LINES
        self._grouping = Grouping(lines if config.between == "count" else 0)

    @override
    def like(self, deck: Path) -> Self:
        if "line_end" in self.config.model_fields_set:
            return self
        with deck.open("rb") as file:
            if not file.readline(LONGEST_LINE).endswith(b"\r\n"):
                return self
        return type(self)(self.config.model_copy(update={"line_end": "crlf"}), self.code)

    @override
    def longest_line(self) -> int:
        return 0

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        return self._grouping.survey(deck, self.config.record_length, cards_a_span)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        before = 0
        for first, number, cards in self._grouping.read(deck, span, cards_a_tray):
            reading = _Reading(cards, len(cards.sizes), self.config)
            if self.config.form == "columns":
                holes, lengths = reading.columns(self._names)
            else:
                holes, lengths = reading.rows(self._marks)
            if reading.longest and self.config.longer == "error":
                card = first + reading.longest - 1
                what = f"has more than {self.config.record_length:,} columns in card {card}"
                remedy = "set a larger record_length, or longer = 'return'"
                raise UnreadableDeckError(str(deck), what, remedy)
            if reading.at_lines and not before:
                before = line_number(deck, span.offset)
            odd = reading.odd(before + number)
            text = self.text_of(holes)
            short = bool((lengths < self.config.record_length).any())
            yield RawTray(first, text, holes, lengths if short else None, odd)

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        holes = self.holes_of(text, holes, alphabet)
        if not holes.size:
            return b""
        count, width = holes.shape
        sizes = np.full(count, width, np.int64)
        if lengths is not None and self.config.between == "empty-line":
            sizes = np.maximum(lengths, 1).astype(np.int64)
        data = self._columns(holes, sizes) if self.config.form == "columns" else self._rows(holes)
        return self._ended(data)

    @override
    def card_columns(self) -> int | None:
        counted = self.config.form == "columns" and self.config.between == "count"
        return self.config.record_length if counted else None

    @override
    def record(self, record: bytes) -> bytes:
        return self._ended(record + (b"\n\n" if self.config.between == "empty-line" else b"\n"))

    @override
    def suffix(self) -> str:
        return "holes"

    def _columns(self, holes: NDArray[np.uint16], sizes: NDArray[np.int64]) -> bytes:
        count, width = holes.shape
        table, lengths = self._names.table()
        most = int(lengths[holes].max()) + 1
        lines = table[:, :most][holes]
        ends = np.where(np.arange(width) < sizes[:, None], lengths[holes] + 1, 0)
        kept = np.arange(most) < ends[:, :, None]
        if self.config.between == "count":
            return lines[kept].tobytes()
        # one more line a card: the empty one that ends it
        empty = np.full((count, 1, most), ord("\n"), np.uint8)
        first = np.zeros((count, 1, most), np.bool_)
        first[:, :, 0] = True
        kept = np.concatenate([kept, first], axis=1)
        return np.concatenate([lines, empty], axis=1)[kept].tobytes()

    def _rows(self, holes: NDArray[np.uint16]) -> bytes:
        marks = self._marks.written(holes)
        count, lines, width = marks.shape
        ended = np.full((count, lines, width + 1), ord("\n"), np.uint8)
        ended[:, :, :width] = marks
        flat = ended.reshape(count, -1)
        if self.config.between == "count":
            return flat.tobytes()
        return np.append(flat, np.full((count, 1), ord("\n"), np.uint8), axis=1).tobytes()

    def _ended(self, data: bytes) -> bytes:
        return data.replace(b"\n", b"\r\n") if self.config.line_end == "crlf" else data


class _Reading:
    """Reads the cards of one tray, and keeps what is odd about them."""

    def __init__(self, cards: Cards, count: int, config: TranscriptConfig) -> None:
        self.cards, self.count, self.config = cards, count, config
        self.width = config.record_length
        self.at_lines: dict[int, tuple[int, int]] = {}  # card: its first bad line, and the column
        self.longest = 0  # place, from 1, of the first card that is too long
        self._odd: list[OddCards] = []

    def columns(self, names: Names) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Return holes (n, L) and lengths (n) of lines that name rows."""
        cards = self.cards
        patterns = names.patterns(cards.lines)
        inside = cards.place < self.width
        holes = np.zeros((self.count, self.width), np.uint16)
        holes[cards.card[inside], cards.place[inside]] = np.maximum(patterns[inside], 0)
        bad = np.flatnonzero((patterns < 0) & inside)
        self._note_lines(bad, cards.place[bad] + 1)
        self._note_lengths(cards.sizes)
        return holes, np.minimum(cards.sizes, self.width).astype(np.uint16)

    def rows(self, marks: Marks) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Return holes (n, L) and lengths (n) of lines of marks."""
        cards = self.cards
        holes = np.zeros((self.count, self.width), np.uint16)
        widths = np.zeros(self.count, np.int64)
        np.maximum.at(widths, cards.card, cards.lines.widths)
        whole = cards.sizes == _LINES
        self._note_wrong(np.flatnonzero(~whole))
        mine = np.flatnonzero(whole[cards.card])
        if mine.size:
            bits = marks.bits(lines_at(cards.lines, mine), self.width)
            odd = bits == _BAD
            bad = np.flatnonzero(odd.any(axis=1))
            self._note_lines(mine[bad], odd[bad].argmax(axis=1) + 1)
            holes[whole] = marks.patterns(bits.reshape(-1, _LINES, self.width))
        widths[~whole] = self.width
        self._note_lengths(widths)
        return holes, np.minimum(widths, self.width).astype(np.uint16)

    def odd(self, number: int) -> list[OddCards]:
        """Return the odd cards; number: that of the stretch's first line in the deck."""
        what = "names no rows" if self.config.form == "columns" else "holds another mark"
        for card, (line, column) in self.at_lines.items():
            said = self.cards.lines.record(line)[:_SHOWN].decode("latin-1")
            at = number + int(self.cards.number[line])
            rows, columns = np.array([card], np.intp), np.array([column], np.intp)
            detail = f"line {at} {what}: {said!r}"
            records = self._records(rows)
            self._odd.append(OddCards(rows, "unreadable-line", detail, columns, records=records))
        return self._odd

    def _note_lines(self, lines: NDArray[np.intp], columns: NDArray[np.int64]) -> None:
        """Keep the first bad line of each card."""
        cards, firsts = np.unique(self.cards.card[lines], return_index=True)
        for card, first in zip(cards.tolist(), firsts.tolist(), strict=True):
            self.at_lines[card] = (int(lines[first]), int(columns[first]))

    def _note_lengths(self, sizes: NDArray[np.int64]) -> None:
        long = np.flatnonzero(sizes > self.width)
        if long.size:
            self.longest = int(long[0]) + 1
            detail = f"the card is longer than {self.width} columns"
            columns = np.full(len(long), self.width + 1, np.intp)
            records = self._records(long)
            self._odd.append(OddCards(long, "long-card", detail, columns, records=records))
        short = np.flatnonzero(sizes < self.width)
        if short.size and self.config.shorter != "pad":
            severity: Literal["fatal", "note"] = (
                "note" if self.config.shorter == "note" else "fatal"
            )
            detail = f"the card is shorter than {self.width} columns"
            columns = (sizes[short] + 1).astype(np.intp)
            self._odd.append(OddCards(short, "short-card", detail, columns, severity))

    def _note_wrong(self, cards: NDArray[np.intp]) -> None:
        sizes = self.cards.sizes[cards]
        for size in np.unique(sizes).tolist():
            detail = f"the card has {size} lines where there should be twelve, one a row"
            rows = cards[sizes == size]
            self._odd.append(OddCards(rows, "row-count", detail, records=self._records(rows)))

    def _records(self, cards: NDArray[np.intp]) -> list[bytes]:
        return [self.cards.record(int(card)) for card in cards]


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `transcript`."""
    return [Transcript]

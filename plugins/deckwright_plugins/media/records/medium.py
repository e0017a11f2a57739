"""Decks of variable-length or blocked records with descriptor words and tape labels."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator
from typing_extensions import override

from deckwright import (
    BLANK,
    WIDEST,
    Alphabet,
    CodeTable,
    Medium,
    MediumConfig,
    OddCards,
    RawTray,
    Span,
    Survey,
    UnfitCodeError,
    UnreadableDeckError,
    UnwritableError,
    cut_spans,
    first_columns,
    hookimpl,
    read_exactly,
    strangers,
)
from deckwright_plugins.media.records.forms import MOST, Form, form_of
from deckwright_plugins.media.records.labels import Labels, read_labels
from deckwright_plugins.media.records.scan import DESCRIPTOR, LONGEST_BLOCK, Found
from deckwright_plugins.media.records.walk import Walk, facts, found_in, scan
from deckwright_plugins.shared.lines import Lines

_NONE = np.zeros(0, np.int64)


class RecordsConfig(MediumConfig):
    """Records with descriptor words, or of one length in blocks; labels of a tape around them."""

    kind: str = "records"
    """Which medium."""

    code: str = "cp037"
    """What a byte stands for."""

    form: Literal["variable", "variable-blocked", "fixed-blocked", "decimal", "spanned"] = (
        "variable-blocked"
    )
    """Descriptor words, of blocks too; one length; lengths in digits; or segments of records."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] | Literal["longest"] = 80
    """Columns of every card, or "longest": those of the deck's longest record."""

    block_length: Annotated[int, Field(ge=0, le=LONGEST_BLOCK)] = 0
    """Bytes of a full block; 0: as label HDR2 says, and blocks of 32,760 bytes are written."""

    padding: Annotated[str, Field(min_length=1)] = "^"
    """Characters that fill a block of form `decimal` behind its records; the first is written."""

    labels: Literal["none", "standard"] = "none"
    """Labels by ISO 1001 and ANSI X3.27 are no cards: noted at card 1, block count checked."""

    shorter: Literal["pad", "note", "return"] = "pad"
    """A shorter record is padded with blanks; may also be noted, or returned."""

    longer: Literal["return", "error"] = "return"
    """A longer record is returned, or stops the run."""

    @model_validator(mode="after")
    def _must_agree(self) -> Self:
        if self.form == "fixed-blocked":
            if self.record_length == "longest":
                msg = "records of one length need a record_length in columns"
                raise ValueError(msg)
            if self.block_length % self.record_length:
                msg = f"block_length must be a multiple of record_length, {self.record_length}"
                raise ValueError(msg)
            return self
        most = MOST[self.form]
        columns = 1 if self.record_length == "longest" else self.record_length
        least = columns + DESCRIPTOR if self.form == "decimal" else 2 * DESCRIPTOR + 1
        if 0 < self.block_length < least:
            msg = f"block_length must be more than {least - 1:,}"
            raise ValueError(msg)
        if columns > most:
            msg = f"record_length can be {most:,} at most beside what says the length"
            raise ValueError(msg)
        return self


class Records(Medium[RecordsConfig]):
    """Records as a tape holds them; one byte a column."""

    kind = "records"

    def __init__(self, config: RecordsConfig, code: CodeTable) -> None:
        """Take options and code.

        Raises:
            UnfitCodeError: the code has no bytes, or lacks what lengths are written in.
        """
        super().__init__(config, code)
        if code.from_raw is None or code.to_raw is None:
            raise UnfitCodeError(code.name, "has holes but no bytes", "use it with column-binary")
        self._from_raw = code.from_raw.tobytes()
        self._to_raw = code.to_raw.astype(np.uint8).tobytes()
        self._defined = code.alphabet.defined
        self._form: Form | None = None
        if config.form != "fixed-blocked":
            self._form = form_of(config.form, code, config.block_length, config.padding)
        self._widths: dict[Path, int] = {}
        self._remarks: dict[Path, list[OddCards]] = {}

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        labels = self._labels(deck)
        if labels.start >= labels.end:
            raise UnreadableDeckError(str(deck), "holds no cards")
        if self._form is None:
            survey, blocks = self._survey_fixed(deck, labels, cards_a_span)
        else:
            survey, blocks = self._survey_variable(deck, self._form, labels, cards_a_span)
        said = labels.number(("EOF1", "EOV1"), "blocks")
        if labels.tail and blocks is not None and said is not None and said != blocks:
            what = f"holds {blocks:,} blocks, but its label {labels.tail[0][:4]} counts {said:,}"
            remedy = "check the copy, form and block_length"
            raise UnreadableDeckError(str(deck), what, remedy)
        return survey

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        width, labels = self._width(deck), self._labels(deck)
        first = span.first_card
        for data, found in self._stretches(deck, labels, span, cards_a_tray, width):
            for row in range(0, len(found.starts), cards_a_tray):
                cut = slice(row, row + cards_a_tray)
                tray = self._tray(first, data, found.starts[cut], found.widths[cut], width)
                if first == 1:
                    tray.odd.extend(self._noted(deck, labels))
                yield tray
                first += len(tray.text)

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        self.must_be_characters(text, holes, alphabet)
        raw = self.own_text(text, alphabet).tobytes().translate(self._to_raw)
        if self._form is None or not text.size:
            return raw
        sizes = np.full(len(text), text.shape[1], np.int64)
        if lengths is not None:
            sizes = lengths.astype(np.int64)
        most, what = self._form.most
        if int(sizes.max()) > most:
            rows = np.flatnonzero(sizes > most)
            raise UnwritableError(
                int(rows[0]), most + 1, "", code=self.code.name, rows=rows, what=what
            )
        return self._form.written(np.frombuffer(raw, np.uint8).reshape(text.shape), sizes)

    @override
    def card_columns(self) -> int | None:
        length = self.config.record_length
        return length if self._form is None and isinstance(length, int) else None

    @override
    def record(self, record: bytes) -> bytes:
        if self._form is None:
            return record
        return self._form.written(np.frombuffer(record, np.uint8)[None], np.array([len(record)]))

    @override
    def suffix(self) -> str:
        return "rec"

    def _labels(self, deck: Path) -> Labels:
        if self.config.labels != "standard":
            return Labels((), (), 0, deck.stat().st_size)
        labels = read_labels(deck)
        if offset := labels.number(("HDR2",), "offset"):
            what = f"has blocks that begin with {offset} bytes of their own, as its label HDR2 says"
            raise UnreadableDeckError(str(deck), what, "take them out first")
        return labels

    def _noted(self, deck: Path, labels: Labels) -> Iterator[OddCards]:
        """Yield what is said of the whole deck, as notes on the first card."""
        if self.config.labels == "standard":
            yield from facts(labels)
        if self.config.form not in {"decimal", "spanned"}:
            return
        if deck not in self._remarks and self._form is not None:
            self._look_at(deck, labels, self._form)
        yield from self._remarks[deck]

    def _survey_fixed(
        self, deck: Path, labels: Labels, cards_a_span: int
    ) -> tuple[Survey, int | None]:
        length = self._set_width(deck, 0)
        total = labels.end - labels.start
        cards, rest = divmod(total, length)
        if rest:
            what = f"ends inside card {cards + 1}, after {rest} of the {length} bytes of a record"
            raise UnreadableDeckError(str(deck), what, "check record_length, labels and the copy")
        offsets = labels.start + np.arange(0, cards, cards_a_span, dtype=np.int64) * length
        block = self.config.block_length or labels.number(("HDR2",), "block length")
        spans = cut_spans(offsets, labels.end, cards, cards_a_span)
        return Survey(cards, length, spans), -(-total // block) if block else None

    def _survey_variable(
        self, deck: Path, form: Form, labels: Labels, cards_a_span: int
    ) -> tuple[Survey, int | None]:
        cards = blocks = widest = 0
        spans: list[tuple[int, int]] = []  # offset, cards before
        walk = form.walk(labels)
        for offset, found in scan(deck, labels, walk):
            self._must_be_short(deck, found.widths, cards)
            widest = max(widest, int(found.widths.max(initial=0)))
            edges, begun = found.cuts()
            before = cards + begun
            # a span begins with the first record or block behind each so many cards
            last = np.append(spans[-1][1] if spans else -cards_a_span, before[:-1])
            steps = before // cards_a_span > last[: len(before)] // cards_a_span
            spans += zip((edges[steps] + offset).tolist(), before[steps].tolist(), strict=True)
            cards, blocks = cards + len(found.starts), blocks + len(found.blocks)
        self._remarks[deck] = list(walk.remarks())
        if not cards:
            raise UnreadableDeckError(str(deck), "holds no cards")
        spans[0] = (labels.start, 0)
        made = [
            Span(index, start, stop - start, first + 1, after - first)
            for index, ((start, first), (stop, after)) in enumerate(
                zip(spans, [*spans[1:], (labels.end, cards)], strict=True)
            )
        ]
        count = form.blocks(labels, blocks)
        return Survey(cards, self._set_width(deck, widest), made), count

    def _stretches(
        self, deck: Path, labels: Labels, span: Span, cards_a_tray: int, width: int
    ) -> Iterator[tuple[bytes, Found]]:
        """Yield bytes of a span, and the whole records in them: as many as make a few trays."""
        step = cards_a_tray * (width + DESCRIPTOR)
        with deck.open("rb", buffering=0) as file:
            file.seek(span.offset)
            if self._form is not None:
                walk = self._form.walk(labels, span.offset - labels.start)
                yield from _followed(file, deck, labels, span, walk, max(step, LONGEST_BLOCK))
                return
            for before in range(0, span.size, most := max(step // width, 1) * width):
                data = read_exactly(file, min(most, span.size - before), deck)
                starts = np.arange(0, len(data), width, dtype=np.int64)
                yield data, Found(starts, np.full(len(starts), width), _NONE, len(data))

    def _must_be_short(self, deck: Path, widths: NDArray[np.int64], before: int) -> None:
        length = self.config.record_length
        if length == "longest" or self.config.longer == "return":
            return
        if int(widths.max(initial=0)) > length:
            place = int((widths > length).argmax())
            what = f"has {widths[place]:,} columns in card {before + place + 1}"
            remedy = f"more than {length:,}; set a larger record_length, or longer = 'return'"
            raise UnreadableDeckError(str(deck), f"{what}, {remedy}")

    def _set_width(self, deck: Path, widest: int) -> int:
        length = self.config.record_length
        self._widths[deck] = max(1, widest) if length == "longest" else length
        return self._widths[deck]

    def _width(self, deck: Path) -> int:
        """Return the columns of a card; a process that made no survey looks at the deck itself."""
        if deck not in self._widths:
            if self.config.record_length != "longest" or self._form is None:
                return self._set_width(deck, 0)
            self._look_at(deck, self._labels(deck), self._form)
        return self._widths[deck]

    def _look_at(self, deck: Path, labels: Labels, form: Form) -> None:
        """Learn of a deck what a survey would have told."""
        walk = form.walk(labels)
        widest = max(int(found.widths.max(initial=0)) for _, found in scan(deck, labels, walk))
        self._set_width(deck, widest)
        self._remarks[deck] = list(walk.remarks())

    def _tray(
        self,
        first: int,
        data: bytes,
        starts: NDArray[np.int64],
        widths: NDArray[np.int64],
        width: int,
    ) -> RawTray:
        records = Lines(data, starts, widths, np.zeros(len(starts), np.bool_), open_end=False)
        raw = records.matrix(width, self._to_raw[BLANK])
        text = np.frombuffer(raw.tobytes().translate(self._from_raw), np.uint8).reshape(raw.shape)
        short = widths < width
        lengths = np.minimum(widths, width).astype(np.uint16) if short.any() else None
        odd = [*self._bad_characters(text), *self._bad_lengths(records, width)]
        return RawTray(first, text, None, lengths, odd)

    def _bad_characters(self, text: NDArray[np.uint8]) -> Iterator[OddCards]:
        if not self._defined.all() and strangers(text, self._defined):
            rows, columns = first_columns(~self._defined[text])
            detail = f"the code {self.code.name} has no character for a byte of this card"
            yield OddCards(rows, "undefined-character", detail, columns)

    def _bad_lengths(self, records: Lines, width: int) -> Iterator[OddCards]:
        long = np.flatnonzero(records.widths > width)
        if long.size:
            whole = [records.record(int(row)) for row in long]
            columns = np.full(len(long), width + 1, np.intp)
            detail = f"the record is longer than {width} columns"
            yield OddCards(long, "long-record", detail, columns, records=whole)
        short = np.flatnonzero(records.widths < width)
        if short.size and self.config.shorter != "pad":
            severity: Literal["fatal", "note"] = (
                "note" if self.config.shorter == "note" else "fatal"
            )
            columns = (records.widths[short] + 1).astype(np.intp)
            detail = f"the record is shorter than {width} columns"
            yield OddCards(short, "short-record", detail, columns, severity)


def _followed(
    file: BinaryIO, deck: Path, labels: Labels, span: Span, walk: Walk, step: int
) -> Iterator[tuple[bytes, Found]]:
    """Yield stretches of a span with the records that a walk finds, and no record behind it."""
    end = labels.end if walk.overlaps else span.offset + span.size
    at, cards, carry = span.offset, 0, b""
    while cards < span.cards or (at < end and not walk.overlaps):
        rest = span.offset + span.size - at - len(carry)
        wanted = min(step, rest) if rest > 0 else min(LONGEST_BLOCK, end - at - len(carry))
        data = carry + read_exactly(file, wanted, deck)
        found = found_in(deck, walk, data, at, span.first_card - 1 + cards)
        left = span.cards - cards
        cards += len(found.starts)
        if (not wanted and not found.used) or (cards > span.cards and not walk.overlaps):
            raise UnreadableDeckError(str(deck), "was changed while it was read")
        at, carry = at + found.used, data[found.used :]
        if cards > span.cards:
            starts, widths = found.starts[:left], found.widths[:left]
            found = Found(starts, widths, _NONE, found.used, joined=found.joined)
        yield data if found.joined is None else found.joined, found


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `records`."""
    return [Records]

"""Decks of variable-length or blocked records with descriptor words and tape labels."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Self

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
from deckwright_plugins.record_scan import (
    DESCRIPTOR,
    LONGEST_BLOCK,
    BadDescriptorError,
    Found,
    described,
    find_records,
    in_blocks,
    word,
)
from deckwright_plugins.tape_labels import Labels, read_labels
from deckwright_plugins.text_scan import Lines

_STEP = 1 << 20
_WIDEST = LONGEST_BLOCK - 2 * DESCRIPTOR
_NONE = np.zeros(0, np.int64)
_FIRST = np.zeros(1, np.intp)


class RecordsConfig(MediumConfig):
    """Records with descriptor words, or of one length in blocks; labels of a tape around them."""

    kind: str = "records"
    """Which medium."""

    code: str = "cp037"
    """What a byte stands for."""

    form: Literal["variable", "variable-blocked", "fixed-blocked"] = "variable-blocked"
    """Each record has a descriptor word; each block too; or all records have one length."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] | Literal["longest"] = 80
    """Columns of every card, or "longest": those of the deck's longest record."""

    block_length: Annotated[int, Field(ge=0, le=LONGEST_BLOCK)] = 0
    """Bytes of a full block; 0: as label HDR2 says, and blocks of 32,760 bytes are written."""

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
        elif 0 < self.block_length <= 2 * DESCRIPTOR:
            msg = f"block_length must be more than {2 * DESCRIPTOR}"
            raise ValueError(msg)
        elif self.record_length != "longest" and self.record_length > _WIDEST:
            msg = f"record_length can be {_WIDEST:,} at most beside descriptor words"
            raise ValueError(msg)
        return self


class Records(Medium[RecordsConfig]):
    """Records as a tape holds them; one byte a column."""

    kind = "records"

    def __init__(self, config: RecordsConfig, code: CodeTable) -> None:
        """Take options and code.

        Raises:
            UnfitCodeError: the code has no bytes.
        """
        super().__init__(config, code)
        if code.from_raw is None or code.to_raw is None:
            raise UnfitCodeError(code.name, "has holes but no bytes", "use it with column-binary")
        self._from_raw = code.from_raw.tobytes()
        self._to_raw = code.to_raw.astype(np.uint8).tobytes()
        self._defined = code.alphabet.defined
        self._blocked = config.form == "variable-blocked"
        self._widths: dict[Path, int] = {}

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        labels = self._labels(deck)
        if labels.start >= labels.end:
            raise UnreadableDeckError(str(deck), "holds no cards")
        if self.config.form == "fixed-blocked":
            survey, blocks = self._survey_fixed(deck, labels, cards_a_span)
        else:
            survey, blocks = self._survey_variable(deck, labels, cards_a_span)
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
        for data, found in self._stretches(deck, span, cards_a_tray, width):
            for row in range(0, len(found.starts), cards_a_tray):
                cut = slice(row, row + cards_a_tray)
                tray = self._tray(first, data, found.starts[cut], found.widths[cut], width)
                if first == 1 and self.config.labels == "standard":
                    tray.odd.extend(_facts(labels))
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
        if self.config.form == "fixed-blocked" or not text.size:
            return raw
        sizes = np.full(len(text), text.shape[1], np.int64)
        if lengths is not None:
            sizes = lengths.astype(np.int64)
        if int(sizes.max()) > _WIDEST:
            rows = np.flatnonzero(sizes > _WIDEST)
            what = "more than a descriptor word can count"
            raise UnwritableError(
                int(rows[0]), _WIDEST + 1, "", code=self.code.name, rows=rows, what=what
            )
        records = described(np.frombuffer(raw, np.uint8).reshape(text.shape), sizes)
        if not self._blocked:
            return records
        return in_blocks(records, sizes, self.config.block_length or LONGEST_BLOCK)

    @override
    def record(self, record: bytes) -> bytes:
        if self.config.form == "fixed-blocked":
            return record
        whole = word(len(record) + DESCRIPTOR) + record
        return word(len(whole) + DESCRIPTOR) + whole if self._blocked else whole

    @override
    def suffix(self) -> str:
        return "rec"

    def _labels(self, deck: Path) -> Labels:
        if self.config.labels == "standard":
            return read_labels(deck)
        return Labels((), (), 0, deck.stat().st_size)

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
        self, deck: Path, labels: Labels, cards_a_span: int
    ) -> tuple[Survey, int | None]:
        cards = blocks = widest = 0
        spans: list[tuple[int, int]] = []  # offset, cards before
        for offset, found in _scan(deck, labels, blocked=self._blocked):
            self._must_be_short(deck, found.widths, cards)
            widest = max(widest, int(found.widths.max()))
            edges = found.blocks if self._blocked else found.starts - DESCRIPTOR
            before = cards + np.searchsorted(found.starts, edges, side="right")
            # a span begins with the first record or block behind each so many cards
            last = np.append(spans[-1][1] if spans else -cards_a_span, before[:-1])
            steps = before // cards_a_span > last // cards_a_span
            spans += zip((edges[steps] + offset).tolist(), before[steps].tolist(), strict=True)
            cards, blocks = cards + len(found.starts), blocks + len(found.blocks)
        if not cards:
            raise UnreadableDeckError(str(deck), "holds no cards")
        made = [
            Span(index, start, stop - start, first + 1, after - first)
            for index, ((start, first), (stop, after)) in enumerate(
                zip(spans, [*spans[1:], (labels.end, cards)], strict=True)
            )
        ]
        count = blocks if self._blocked else None
        return Survey(cards, self._set_width(deck, widest), made), count

    def _stretches(
        self, deck: Path, span: Span, cards_a_tray: int, width: int
    ) -> Iterator[tuple[bytes, Found]]:
        """Yield bytes of a span, and the whole records in them: as many as make a few trays."""
        fixed = self.config.form == "fixed-blocked"
        step = max(cards_a_tray * (width + DESCRIPTOR), 1 if fixed else LONGEST_BLOCK)
        left, carry = span.size, b""
        with deck.open("rb", buffering=0) as file:
            file.seek(span.offset)
            while left or carry:
                wanted = min(left, step // width * width if fixed else step)
                left -= wanted
                data = carry + read_exactly(file, wanted, deck)
                if fixed:
                    starts = np.arange(0, len(data), width, dtype=np.int64)
                    yield data, Found(starts, np.full(len(starts), width), _NONE, len(data))
                    continue
                found = _found(deck, span, data, span.size - left, blocked=self._blocked)
                if not left and found.used < len(data):
                    raise UnreadableDeckError(str(deck), "was changed while it was read")
                yield data, found
                carry = data[found.used :]

    def _must_be_short(self, deck: Path, widths: NDArray[np.int64], before: int) -> None:
        length = self.config.record_length
        if length == "longest" or self.config.longer == "return":
            return
        if int(widths.max()) > length:
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
            widest = 0
            if self.config.record_length == "longest":
                scanned = _scan(deck, self._labels(deck), blocked=self._blocked)
                widest = max(int(found.widths.max()) for _, found in scanned)
            return self._set_width(deck, widest)
        return self._widths[deck]

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


def _scan(deck: Path, labels: Labels, *, blocked: bool) -> Iterator[tuple[int, Found]]:
    """Go through a deck: byte offset of a stretch, and the records in it.

    Raises:
        UnreadableDeckError: a descriptor word is wrong, or the deck ends inside a card.
    """
    offset, cards, carry = labels.start, 0, b""
    with deck.open("rb", buffering=0) as file:
        file.seek(labels.start)
        while offset < labels.end:
            wanted = min(_STEP, labels.end - offset - len(carry))
            data = carry + read_exactly(file, wanted, deck)
            whole = Span(0, offset, len(data), cards + 1, 0)
            found = _found(deck, whole, data, len(data), blocked=blocked)
            if found.used:
                yield offset, found
            elif not wanted:
                what = f"ends inside card {cards + 1}, whose record begins at byte {offset:,}"
                remedy = "check the copy, and whether labels follow the cards"
                raise UnreadableDeckError(str(deck), what, remedy)
            cards, offset = cards + len(found.starts), offset + found.used
            carry = data[found.used :]


def _found(deck: Path, span: Span, data: bytes, read: int, *, blocked: bool) -> Found:
    """Find the records of data that ends `read` bytes behind the beginning of a span."""
    try:
        return find_records(data, blocked=blocked)
    except BadDescriptorError as error:
        at = span.offset + read - len(data) + error.offset
        card = f"card {span.first_card + error.records}"
        where = f"at byte {at:,}" + (f" ({card})" if error.of_record else "")
        remedy = "check form, labels and the copy; records of one length are kind = 'blocks'"
        what = f"cannot be followed {where}: {error.what}"
        raise UnreadableDeckError(str(deck), what, remedy) from error


def _facts(labels: Labels) -> Iterator[OddCards]:
    """Yield what the labels say, as notes on the first card."""
    for sentence in labels.sentences():
        yield OddCards(_FIRST, "label", sentence, severity="note")
    if not labels.head:
        detail = "the deck begins without labels, so it was read whole"
        yield OddCards(_FIRST, "no-labels", detail, severity="note")
    elif not labels.tail:
        detail = "the deck has header labels and no label EOF1, so it may be cut short"
        yield OddCards(_FIRST, "no-end-label", detail, severity="note")
    elif labels.tail[0].startswith("EOV1"):
        detail = "the label EOV1 says that the file goes on on a further volume"
        yield OddCards(_FIRST, "volume-ends", detail, severity="note")


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `records`."""
    return [Records]

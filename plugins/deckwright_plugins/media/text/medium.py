"""Decks of text lines, one card a line, in any single-byte code with ASCII line ends."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from typing_extensions import override

from deckwright import (
    BLANK,
    WIDEST,
    Alphabet,
    CodeTable,
    Medium,
    MediumConfig,
    RawTray,
    Span,
    Survey,
    UnfitCodeError,
    UnreadableDeckError,
    cut_spans,
    hookimpl,
    read_exactly,
)
from deckwright_plugins.media.text.faults import Faults
from deckwright_plugins.shared.lines import CR, LF, Head, Lines, read_head, scan

_NO_LINES = np.zeros(0, np.int64)


class TextConfig(MediumConfig):
    """Lines of text, one card a line."""

    kind: str = "text"
    """Which medium."""

    code: str = "ascii"
    """What a byte stands for."""

    record_length: Annotated[int, Field(ge=1, le=WIDEST)] | Literal["longest"] = 80
    """Columns of every card, or "longest": those of the deck's longest line."""

    shorter: Literal["pad", "note", "return"] = "pad"
    """A shorter line is padded with blanks; may also be noted, or returned."""

    longer: Literal["return", "error"] = "return"
    """A longer line is returned, or stops the run."""

    tabs: Literal["return", "keep"] = "return"
    """A line with a tab is returned, since its columns are unknown; or the tab is one column."""

    line_end: Literal["lf", "crlf"] = "lf"
    """How lines of a written deck end; left out, returned lines end as those of their deck."""


class TextLines(Medium[TextConfig]):
    """One card a line; the line end is LF, CR LF, or CR where a deck has no LF at all."""

    kind = "text"

    def __init__(self, config: TextConfig, code: CodeTable) -> None:
        """Take options and code.

        Raises:
            UnfitCodeError: the code has no bytes, or its line ends are not those of ASCII.
        """
        super().__init__(config, code)
        if code.from_raw is None or code.to_raw is None:
            raise UnfitCodeError(code.name, "has holes but no bytes", "use it with column-binary")
        if [code.from_raw[LF], code.from_raw[CR]] != [LF, CR]:
            what = "has no ASCII line ends, so its lines cannot be told"
            raise UnfitCodeError(code.name, what, "read the deck with kind = 'blocks'")
        self._from_raw = code.from_raw.tobytes()
        self._to_raw = code.to_raw.astype(np.uint8).tobytes()
        self._plain = self._from_raw == bytes(range(256))
        self._faults = Faults(
            code,
            short={"pad": None, "note": "note", "return": "fatal"}[config.shorter],
            keep_tabs=config.tabs == "keep",
        )
        self._widths: dict[Path, int] = {}

    @override
    def like(self, deck: Path) -> Self:
        if "line_end" in self.config.model_fields_set:
            return self
        if not read_head(deck).crlf:
            return self
        return type(self)(self.config.model_copy(update={"line_end": "crlf"}), self.code)

    @override
    def longest_line(self) -> int:
        return 0 if self.config.record_length == "longest" else self.config.record_length

    @override
    def survey(self, deck: Path, cards_a_span: int) -> Survey:
        head = read_head(deck)
        offsets: list[NDArray[np.int64]] = [_NO_LINES]
        cards = widest = 0
        for starts, widths in scan(deck, head):
            widest = max(widest, int(widths.max()))
            self._must_be_short(deck, widths, cards)
            offsets.append(starts[-cards % cards_a_span :: cards_a_span])
            cards += len(starts)
        if not cards:
            raise UnreadableDeckError(str(deck), "holds no cards")
        width = self._set_width(deck, widest)
        spans = cut_spans(np.concatenate(offsets), deck.stat().st_size, cards, cards_a_span)
        return Survey(cards, width, spans)

    @override
    def read(self, deck: Path, span: Span, cards_a_tray: int) -> Iterator[RawTray]:
        head, width = read_head(deck), self._width(deck)
        first, left, carry = span.first_card, span.size, b""
        with deck.open("rb", buffering=0) as file:
            file.seek(span.offset)
            while left or carry:
                wanted = min(left, cards_a_tray * (width + 2))
                left -= wanted
                block = carry + read_exactly(file, wanted, deck)
                lines = Lines.of(block, head, closed=not left)
                used = 0
                while used < len(lines) and (not left or len(lines) - used >= cards_a_tray):
                    part = lines.part(used, used + cards_a_tray)
                    yield self._tray(first, part, head, width)
                    used, first = used + len(part), first + len(part)
                carry = lines.rest(used) if left else b""

    @override
    def encode(
        self,
        text: NDArray[np.uint8],
        holes: NDArray[np.uint16] | None,
        lengths: NDArray[np.uint16] | None,
        alphabet: Alphabet,
    ) -> bytes:
        self.must_be_characters(text, holes, alphabet)
        own = self.own_text(text, alphabet)
        raw = own.tobytes()
        if b"\n" in raw:
            self.must_fit(own, np.arange(256) != LF, self.code.alphabet)
        count, width = own.shape
        lines = np.full((count, width + 2), LF, np.uint8)
        if not self._plain:
            raw = raw.translate(self._to_raw)
        lines[:, :width] = np.frombuffer(raw, np.uint8).reshape(count, width)
        sizes = np.full(count, width) if lengths is None else lengths.astype(np.int64)
        return _with_ends(lines, sizes, crlf=self.config.line_end == "crlf")

    @override
    def record(self, record: bytes) -> bytes:
        carriage = self.config.line_end == "crlf" or record.endswith(b"\r")
        return record + (b"\r\n" if carriage else b"\n")

    @override
    def suffix(self) -> str:
        return "txt"

    def _must_be_short(self, deck: Path, widths: NDArray[np.int64], before: int) -> None:
        length = self.config.record_length
        if length == "longest":
            limit, remedy = WIDEST, "set record_length, so that longer lines are returned"
        elif self.config.longer == "error":
            limit, remedy = length, "set a larger record_length, or longer = 'return'"
        else:
            return
        if int(widths.max()) > limit:
            place = int((widths > limit).argmax())
            what = (
                f"has {widths[place]:,} columns in card {before + place + 1}, more than {limit:,}"
            )
            raise UnreadableDeckError(str(deck), what, remedy)

    def _set_width(self, deck: Path, widest: int) -> int:
        length = self.config.record_length
        self._widths[deck] = max(1, widest) if length == "longest" else length
        return self._widths[deck]

    def _width(self, deck: Path) -> int:
        """Return the columns of a card; a process that made no survey looks at the deck itself."""
        if deck not in self._widths:
            fixed = self.config.record_length != "longest"
            found = 0 if fixed else max(int(w.max()) for _, w in scan(deck, read_head(deck)))
            return self._set_width(deck, found)
        return self._widths[deck]

    def _tray(self, first: int, lines: Lines, head: Head, width: int) -> RawTray:
        text = lines.matrix(width, int(self._to_raw[BLANK]))
        if not self._plain:
            raw = text.tobytes().translate(self._from_raw)
            text = np.frombuffer(raw, np.uint8).reshape(text.shape)
        short = lines.widths < width
        lengths = np.minimum(lines.widths, width).astype(np.uint16) if short.any() else None
        return RawTray(first, text, None, lengths, self._faults.of(first, lines, text, head))


def _with_ends(lines: NDArray[np.uint8], sizes: NDArray[np.int64], *, crlf: bool) -> bytes:
    """Return the lines (n, L + 2), each cut to its size (n) and ended.

    A line that ends in a CR of its own is always given CR LF, else that CR would be taken for a
    part of the line end.
    """
    count, wide = lines.shape
    rows = np.arange(count)
    carriage = np.full(count, crlf)
    carriage |= (sizes > 0) & (lines[rows, np.maximum(sizes, 1) - 1] == CR)
    ends = sizes + carriage
    lines[rows[carriage], sizes[carriage]] = CR
    lines[rows, ends] = LF
    if (ends == ends[:1]).all():
        return lines[:, : int(ends[0]) + 1].tobytes() if count else b""
    kept: NDArray[np.uint8] = lines[np.arange(wide) <= ends[:, None]]
    return kept.tobytes()


@hookimpl
def deckwright_media() -> list[type[Medium[Any]]]:
    """Bring the medium `text`."""
    return [TextLines]

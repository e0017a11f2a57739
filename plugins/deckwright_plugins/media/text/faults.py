"""What can be odd about the cards of a text deck."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deckwright import (
    CodeTable,
    OddCards,
    first_columns,
    strangers,
)
from deckwright_plugins.shared.lines import CR, Head, Lines

_TAB = 0x09
_DELETE = 0x7F
_FIRST = np.zeros(1, np.intp)

Severity = Literal["fatal", "note"]


class Faults:
    """Finds odd cards; made once for a code and its options."""

    def __init__(self, code: CodeTable, *, short: Severity | None, keep_tabs: bool) -> None:
        """Take the code, how severe a short line is (None: not at all), and what tabs are."""
        self._short: Severity | None = short
        control = _controls(code.alphabet.characters).copy()
        tab = np.zeros(256, np.bool_)
        tab[_TAB] = control[_TAB] and not keep_tabs
        control[_TAB] = False
        undefined = ~code.alphabet.defined
        self._good = ~(control | tab | undefined)
        self._printable = bool(self._good[ord(" ") : _DELETE].all())
        what = "so its columns cannot be trusted"
        self._classes = (
            ("undefined-character", f"a byte is no character of the code {code.name}", undefined),
            ("control-character", f"the line holds a control character, {what}", control),
            ("tab", f"the line holds a tab, {what}", tab),
        )

    def of(
        self,
        first_card: int,
        lines: Lines,
        text: NDArray[np.uint8],
        head: Head,
    ) -> list[OddCards]:
        """Return the odd cards of a tray: its lines, and its text (n, L) in internal bytes."""
        odd = [*self._bad_characters(text), *self._lengths(lines, text.shape[1])]
        return odd + list(_line_ends(first_card, lines, head))

    def _bad_characters(self, text: NDArray[np.uint8]) -> Iterator[OddCards]:
        if (self._printable and _all_plain(text)) or not strangers(text, self._good):
            return
        rows, _ = first_columns(~self._good[text])
        some = text[rows]
        for reason, detail, bad in self._classes:
            places, columns = first_columns(bad[some])
            if places.size:
                yield OddCards(rows[places], reason, detail, columns)

    def _lengths(self, lines: Lines, width: int) -> Iterator[OddCards]:
        long = np.flatnonzero(lines.widths > width)
        if long.size:
            detail = f"the line is longer than {width} columns"
            columns = np.full(len(long), width + 1, np.intp)
            records = [lines.record(int(row)) for row in long]
            yield OddCards(long, "long-line", detail, columns, records=records)
        short = np.flatnonzero(lines.widths < width)
        if short.size and self._short:
            detail = f"the line is shorter than {width} columns"
            columns = (lines.widths[short] + 1).astype(np.intp)
            yield OddCards(short, "short-line", detail, columns, self._short)


def _line_ends(first_card: int, lines: Lines, head: Head) -> Iterator[OddCards]:
    if first_card == 1 and head.start:
        detail = "the deck begins with a UTF-8 byte-order mark, which is not part of the card"
        yield OddCards(_FIRST, "byte-order-mark", detail, severity="note")
    if first_card == 1 and head.end == CR:
        detail = "the lines of the deck end with CR alone"
        yield OddCards(_FIRST, "carriage-return-line-ends", detail, severity="note")
    last = len(lines) - 1
    other = lines.carriage != head.crlf
    if lines.open_end:
        other[last] = False
        detail = "the last line has no line end, so the deck may be cut short"
        yield OddCards(np.array([last], np.intp), "no-line-end", detail, severity="note")
    rows = np.flatnonzero(other)
    if rows.size:
        detail = "the line ends otherwise than most of the first lines of the deck"
        yield OddCards(rows, "mixed-line-ends", detail, severity="note")


def _all_plain(text: NDArray[np.uint8]) -> bool:
    """Return whether every byte is a printable ASCII character, as on nearly every card."""
    return bool(text.size) and int(text.min()) >= ord(" ") and int(text.max()) < _DELETE


@lru_cache(maxsize=64)
def _controls(characters: tuple[str | None, ...]) -> NDArray[np.bool_]:
    return np.array([_is_control(character) for character in characters])


def _is_control(character: str | None) -> bool:
    return character is not None and unicodedata.category(character) == "Cc"

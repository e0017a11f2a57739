"""What must be said of a drawn card that its holes and printed line do not show by themselves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codeparts import hole_patterns
from deckwright.cards.codetable import ILLEGAL, CodeTable
from deckwright.cards.holes import format_pattern
from deckwright.report.drawing.cards import COLUMNS, where
from deckwright.report.signs import UNPRINTABLE, shown

VISIBLE_BLANK = "\u2423"
"""Shown for a blank where blanks count."""

_MOST_NAMED = 6
_LONGEST_REPEATED = 39


def patterns_of(
    text: NDArray[np.uint8], holes: NDArray[np.uint16] | None, code: CodeTable
) -> NDArray[np.uint16] | None:
    """Return uint16 (80), the holes of one card; None where the code says no holes.

    Args:
        text: uint8 (L), internal bytes.
        holes: uint16 (L), patterns where the medium has them.
        code: what the bytes stand for.
    """
    patterns = np.zeros(COLUMNS, np.uint16)
    if holes is not None:
        patterns[: len(holes)] = holes[:COLUMNS]
    elif code.to_holes is None:
        return None
    else:
        punched = np.maximum(hole_patterns(code, text[None])[0], 0).astype(np.uint16)
        patterns[: len(text)] = punched[:COLUMNS]
    return patterns


def printed_of(text: NDArray[np.uint8], code: CodeTable) -> str:
    """Return the printed line of uint8 (L), one character a column."""
    return shown(code.alphabet.decode(text.tobytes()))


def fault_sentence(row: Mapping[str, Any]) -> str:
    """Return a reason, a row of the journal's entries, as one sentence.

    Such as `month (columns 9-14) is '195701': the station had closed before this month`.
    """
    field, found = row["field"], row["found"] or ""
    detail = row["detail"] or row["reason"]
    seen = ""
    if 0 < len(found) <= _LONGEST_REPEATED:  # a whole record is not repeated
        seen = f"'{shown(found).replace(' ', VISIBLE_BLANK)}'"
    if not field:
        return f"{detail} (found {seen})" if seen else detail
    first, last = row.get("column") or row.get("first"), row.get("column") or row.get("last")
    place = f" ({where((first, last or first, ''))})" if first else ""
    return f"{field}{place}{f' is {seen}' if seen else ''}: {detail}"


def notes_on(
    text: NDArray[np.uint8], holes: NDArray[np.uint16] | None, code: CodeTable
) -> list[str]:
    """Return a sentence for each kind of column that is not what it seems; as `patterns_of`."""
    return list(_notes(text, holes, code))


def _notes(
    text: NDArray[np.uint8], holes: NDArray[np.uint16] | None, code: CodeTable
) -> Iterator[str]:
    printed = printed_of(text, code)
    hidden = np.array([character == UNPRINTABLE for character in printed], np.bool_)
    odd = np.zeros(len(text), np.bool_)
    if holes is not None and code.from_holes is not None:
        odd = text == ILLEGAL if code.parts else code.from_holes[holes] < 0
        yield from _note(odd, f"no character of code {code.name!r}{_named(holes, odd)}", hidden)
    elif holes is None and code.to_holes is not None:
        odd = hole_patterns(code, text[None])[0] < 0
        yield from _note(odd, f"no holes in code {code.name!r}, so that none are drawn", hidden)
    rest = hidden & ~odd
    named = "" if holes is None else _named(holes, rest)
    yield from _note(rest, f"not printable{named}", hidden)


def _named(holes: NDArray[np.uint16], which: NDArray[np.bool_]) -> str:
    patterns = list(dict.fromkeys(holes[which].tolist()))
    if not patterns or len(patterns) > _MOST_NAMED:
        return ""
    return f" ({', '.join(map(format_pattern, patterns))})"


def _note(which: NDArray[np.bool_], what: str, hidden: NDArray[np.bool_]) -> Iterator[str]:
    columns = np.flatnonzero(which) + 1
    if columns.size:
        word = "column" if columns.size == 1 else "columns"
        sign = f"; printed as {UNPRINTABLE}" if hidden[which].any() else ""
        yield f"{word} {_spans(columns)}: {what}{sign}"


def _spans(columns: NDArray[np.intp]) -> str:
    """Return columns as `3, 7-9`."""
    parts = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    return ", ".join(
        str(part[0]) if len(part) == 1 else f"{part[0]}\u2013{part[-1]}" for part in parts
    )

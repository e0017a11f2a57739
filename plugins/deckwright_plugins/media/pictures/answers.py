"""What a person has read of the columns that the program was not sure of: `NAME.look.csv`."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deckwright import ROWS, format_pattern, parse_pattern
from deckwright_plugins.media.pictures.members import plain

COLUMNS = 80
NO_HOLES = "none"
SIDE = "side"
"""What stands in place of a column number where it is asked which side of the card is seen."""

CARD = "card"
"""The same where it may be said whether the picture shows a card."""
NO_CARD, ONE_CARD = "no card", "one card"

DOUBTED = "?"
"""Marks the rows of a column that are not sure."""

AS_A_WHOLE, OF_SIDE = -1, 0
"""Stand for the column in lines about the card as a whole and about its side."""

_LINES = {SIDE: OF_SIDE, CARD: AS_A_WHOLE}
_HEAD = ["card", "column", *map(str, ROWS), "holes", "by"]
_LARGEST = 1 << 16  # bytes: a line for each column is a tenth of that
_LONGEST_NAME = 40


class AnswersError(Exception):
    """Answers are not clear. The message is a sentence on the file."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One column as a person read it. holes: the pattern; said: as it was written; by: who."""

    holes: int
    said: str
    by: str


@dataclass(frozen=True, slots=True)
class Side:
    """Which side of the card is seen, and who says so."""

    seen: Literal["front", "back"]
    by: str


@dataclass(frozen=True, slots=True)
class Answers:
    """All that a person wrote.

    written: column to what stands in `holes` and `by`, right or not; also of `OF_SIDE` and
    `AS_A_WHOLE`. no_card, one_card: who says that the picture shows none, or one and no more.
    """

    of: Mapping[int, Answer] = field(default_factory=dict)
    written: Mapping[int, tuple[str, str]] = field(default_factory=dict)
    fault: str = ""
    side: Side | None = None
    no_card: str = ""
    one_card: str = ""


def read_answers(data: bytes) -> Answers:
    """Return the answers in a file; what is wrong with it stands in `fault`."""
    answers: dict[int, Answer] = {}
    written: dict[int, tuple[str, str]] = {}
    side: Side | None = None
    cards = {NO_CARD: "", ONE_CARD: ""}
    try:
        for line, (column, said, by) in _lines(data):
            written[column] = (said, by)
            if said and column == OF_SIDE:
                side = _side(line, said, by)
            elif said and column == AS_A_WHOLE:
                cards[_cards_seen(line, said, by)] = by
            elif said:
                answers[column] = _answer(line, said, by)
    except AnswersError as error:
        return Answers({}, written, str(error))
    if cards[NO_CARD] and (answers or side):
        return Answers({}, written, f"say {NO_CARD!r}, and answer other lines too")
    return Answers(answers, written, "", side, cards[NO_CARD], cards[ONE_CARD])


def form(card: int, doubted: NDArray[np.bool_], columns: list[int], answers: Answers) -> bytes:
    """Return the form to be filled in: one line for each column that is asked for.

    The rows that are not sure are marked. What a person wrote before stands in it again; nothing
    else is filled in.

    Args:
        card: number of the card in its deck.
        doubted: bool (12, 80), the places that are not sure.
        columns: that are asked for, from 1; also `OF_SIDE` and `AS_A_WHOLE`.
        answers: from before.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(_HEAD)
    names = {number: name for name, number in _LINES.items()}
    for column in columns:
        rows = doubted[:, column - 1].tolist() if column > 0 else [False] * len(ROWS)
        marks = [DOUBTED if one else "" for one in rows]
        said = answers.written.get(column, ("", ""))
        writer.writerow([card, names.get(column, column), *marks, *said])
    return buffer.getvalue().encode()


def _lines(data: bytes) -> list[tuple[int, tuple[int, str, str]]]:
    if len(data) > _LARGEST:
        msg = f"is larger than {_LARGEST:,} bytes"
        raise AnswersError(msg)
    text = _text(data)
    first = text.partition("\n")[0]
    between = max(",;\t", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True))
    except csv.Error as error:
        msg = f"is no CSV: {plain(str(error))}"
        raise AnswersError(msg) from error
    head = [cell.strip().lower() for cell in rows[0]] if rows else []
    missing = [name for name in ("column", "holes", "by") if head.count(name) != 1]
    if missing:
        msg = f"has no column {missing[0]!r}, or two"
        raise AnswersError(msg)
    places = [head.index(name) for name in ("column", "holes", "by")]
    found: list[tuple[int, tuple[int, str, str]]] = []
    for line, row in enumerate(rows[1:], 2):
        cells = [row[place].strip() if place < len(row) else "" for place in places]
        if not any(cell.strip() for cell in row):
            continue
        column = _column(line, cells[0])
        if any(column == before for _, (before, *_) in found):
            named = f"column {column}" if column > 0 else cells[0].lower()
            msg = f"line {line} answers {named} once more"
            raise AnswersError(msg)
        found.append((line, (column, cells[1], cells[2])))
    return found


def _text(data: bytes) -> str:
    """Return the characters of a sheet, in whichever way a spreadsheet saved it."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError as error:
            msg = "is UTF-16 that breaks off; save it again as CSV"
            raise AnswersError(msg) from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # spreadsheets; only a name can hold such a character


def _column(line: int, cell: str) -> int:
    """Return the column that a line is about, or `OF_SIDE` or `AS_A_WHOLE`."""
    if cell.lower() in _LINES:
        return _LINES[cell.lower()]
    if not (cell.isascii() and cell.isdigit() and 1 <= int(cell) <= COLUMNS):
        msg = f"line {line} names no column from 1 to {COLUMNS}"
        raise AnswersError(msg)
    return int(cell)


def _side(line: int, said: str, by: str) -> Side:
    _must_be_named(line, by)
    if said.lower() not in {"front", "back"}:
        msg = f"line {line} holds {plain(said[:20])!r}; write front or back, the side that is seen"
        raise AnswersError(msg)
    return Side("front" if said.lower() == "front" else "back", by)


def _cards_seen(line: int, said: str, by: str) -> str:
    """Return `NO_CARD` or `ONE_CARD`."""
    _must_be_named(line, by)
    told = " ".join(said.lower().replace("-", " ").split())
    if told not in {NO_CARD, ONE_CARD}:
        msg = (
            f"line {line} holds {plain(said[:20])!r}; write {NO_CARD!r} or {ONE_CARD!r}, or leave "
            "it empty"
        )
        raise AnswersError(msg)
    return told


def _must_be_named(line: int, by: str) -> None:
    if not by or len(by) > _LONGEST_NAME or not by.isprintable():
        msg = f"line {line} has an answer but not, under 'by', who gave it"
        raise AnswersError(msg)


def _answer(line: int, said: str, by: str) -> Answer:
    _must_be_named(line, by)
    if said.lower() == NO_HOLES:
        return Answer(0, NO_HOLES, by)
    try:
        # blanks too, since spreadsheets take 12-1 for a date
        holes = parse_pattern("-".join(said.replace("-", " ").split()))
    except ValueError as error:
        msg = (
            f"line {line} holds {plain(said[:20])!r}, which names no rows; write 12-1, or 12 1 "
            f"where a spreadsheet makes a date of it, or {NO_HOLES}"
        )
        raise AnswersError(msg) from error
    if not holes:
        msg = f"line {line}: write {NO_HOLES!r} for a column without holes"
        raise AnswersError(msg)
    return Answer(holes, format_pattern(holes), by)

"""Spread: multi-punched columns as one 0/1 variable for each position, without recoding.

Each row of each chosen column becomes a variable; nothing is joined, weighed or interpreted.
Beside them go the frequencies by column and row, which are also the list of which variable came
from where.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from typing import Annotated, Any, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import AfterValidator, Field, model_validator
from typing_extensions import override

from deckwright import (
    ROWS,
    WIDEST,
    Book,
    Closing,
    Expression,
    Known,
    OptionProblem,
    Part,
    Setting,
    SinkStage,
    Stage,
    StageConfig,
    Tray,
    format_pattern,
    hole_patterns,
    hookimpl,
    need_truth,
    row_bit,
)

_FILE = r"^[A-Za-z0-9][A-Za-z0-9._-]*$"
_RANGE = re.compile(r"(\d+)(?:-(\d+))?")
_MOST = 10_000
_TALLY = "holes {column}/{row}"
_CARDS = "cards"
_EMPTY = "empty {column}"


def _is_a_pattern(name: str) -> str:
    try:
        name.format(column=1, row="12")
    except (KeyError, IndexError, ValueError, AttributeError) as error:
        msg = "should be a text with {column} and {row} in it"
        raise ValueError(msg) from error
    if name.format(column=1, row="") == name.format(column=2, row=""):
        msg = "should hold {column}, and {row} where more than one row is spread"
        raise ValueError(msg)
    return name


class SpreadConfig(StageConfig):
    """Write a 0/1 variable for each position of chosen columns, and their frequencies."""

    columns: str
    """The columns, such as "10-12,40"."""
    rows: list[str] = Field(default_factory=lambda: [str(row) for row in ROWS], min_length=1)
    """The rows to spread, by the names of `row_names`."""
    row_names: Annotated[list[str], Field(min_length=12, max_length=12)] = Field(
        default_factory=lambda: [str(row) for row in ROWS]
    )
    """What rows 12, 11, 0 and 1 to 9 are called, in this order."""
    name: Annotated[str, AfterValidator(_is_a_pattern)] = "c{column}_{row}"
    """How a variable is called."""
    fields: list[str] = Field(default_factory=lambda: ["card"])
    """Fields before the variables; `card` is the card number."""
    where: str = ""
    """Only cards for which this Polars SQL expression holds, such as those of one type."""
    patterns: bool = False
    """Write the holes of each column too, as in "12-1", before its variables."""
    file: str = Field(default="spread.csv", pattern=_FILE)
    """The file of variables in the run folder's `out`."""
    frequencies: str = Field(default="spread-frequencies.csv", pattern=_FILE)
    """The file of frequencies by column and row."""

    @model_validator(mode="after")
    def _must_agree(self) -> Self:
        if len(set(self.row_names)) < len(self.row_names):
            msg = "a row name stands twice"
            raise ValueError(msg)
        for row in self.rows:
            if row not in self.row_names:
                msg = f"{row!r} is no row; there are: {', '.join(self.row_names)}"
                raise ValueError(msg)
        if self.file == self.frequencies:
            msg = "file and frequencies are one file"
            raise ValueError(msg)
        return self


class SpreadStage(SinkStage[SpreadConfig]):
    """Writes positions as variables."""

    kind = "spread"

    def __init__(self, config: SpreadConfig, setting: Setting) -> None:
        super().__init__(config, setting)
        self.columns = _columns(config.columns)
        bits = dict(zip(config.row_names, map(row_bit, ROWS), strict=True))
        self.rows = [(name, bits[name]) for name in config.rows]
        self.names = [
            config.name.format(column=column, row=row)
            for column in self.columns
            for row, _ in self.rows
        ]
        self._where = _expression(config.where)
        headings = self._headings()
        if len(self.names) > _MOST:
            what = f"would make {len(self.names):,} variables; {_MOST:,} can be made"
            raise OptionProblem(what, "columns")
        if len(set(headings)) < len(headings):
            what = f"the name {_doubled(headings)!r} would stand twice"
            raise OptionProblem(what, "name")

    @override
    def outline(self, known: Known) -> Known:
        for index, name in enumerate(self.config.fields):
            if name != "card":
                known.need(name, "fields", index)
        if self._where is not None:
            need_truth(known, self._where, "where")
        for column in self.columns:
            known.need_named(self.config.fields, column, column, "fields")
        if known.width and self.columns[-1] > known.width:
            what = f"column {self.columns[-1]} is beyond the {known.width} columns of a card"
            raise OptionProblem(what, "columns")
        if known.code is not None and known.code.to_holes is None:
            what = f"code {known.code.name!r} says nothing of holes"
            raise OptionProblem(what, "columns")
        return known

    @override
    def files(self) -> dict[str, bytes]:
        frame = pl.DataFrame({name: [] for name in self._headings()})
        return {self.config.file: _csv(frame, header=True)}

    @override
    def write(self, tray: Tray, book: Book) -> list[Part]:
        chosen = self._chosen(tray)
        cards = None if chosen is tray else chosen.cards
        tray = chosen
        holes = self._holes(tray)
        series = list(tray.frame(self.config.fields).get_columns())
        for place, column in enumerate(self.columns):
            cells = holes[:, place]
            if self.config.patterns:
                series.append(pl.Series(self._pattern_name(column), _named(cells)))
            for (row, bit), name in zip(self.rows, self._names_of(place), strict=True):
                there = ((cells & np.uint16(bit)) != 0).astype(np.uint8)
                series.append(pl.Series(name, there))
                book.tally(_TALLY.format(column=column, row=row), int(there.sum()))
            book.tally(_EMPTY.format(column=column), int((cells == 0).sum()))
        book.tally(_CARDS, len(tray))
        data = _csv(pl.DataFrame(series), header=False)
        return [Part(self.config.file, data, len(tray), cards)]

    def _chosen(self, tray: Tray) -> Tray:
        """Return the cards to spread; the tray itself when all are."""
        if self._where is None:
            return tray
        holds = self._where.evaluate(tray.frame(self._where.names))
        return tray.keep(holds)

    @override
    def finish(self, closing: Closing) -> dict[str, int | str]:
        cards = closing.tallies.get(_CARDS, 0)
        lines = list(self._frequencies(closing, cards))
        frame = pl.DataFrame(
            lines, schema=["variable", "column", "row", "holes", "cards"], orient="row"
        )
        closing.write(self.config.frequencies, [_csv(frame, header=True)])
        holes = sum(line[3] for line in lines if line[2] != "none")
        return {"cards": cards, "variables": len(self.names), "holes": holes}

    def _frequencies(
        self, closing: Closing, cards: int
    ) -> Iterator[tuple[str, int, str, int, int]]:
        for place, column in enumerate(self.columns):
            for (row, _), name in zip(self.rows, self._names_of(place), strict=True):
                count = closing.tallies.get(_TALLY.format(column=column, row=row), 0)
                yield name, column, row, count, cards
            count = closing.tallies.get(_EMPTY.format(column=column), 0)
            yield "", column, "none", count, cards

    def _headings(self) -> list[str]:
        headings = list(self.config.fields)
        for place, column in enumerate(self.columns):
            headings += [self._pattern_name(column)] if self.config.patterns else []
            headings += self._names_of(place)
        return headings

    def _names_of(self, place: int) -> list[str]:
        """Return the names of the variables of a chosen column."""
        return self.names[place * len(self.rows) : (place + 1) * len(self.rows)]

    def _pattern_name(self, column: int) -> str:
        return self.config.name.format(column=column, row="holes")

    def _holes(self, tray: Tray) -> NDArray[np.uint16]:
        """Return the patterns (n, k) of the chosen columns as they now are.

        A column whose text is as it was read keeps the holes that it was read with.
        """
        places = np.array(self.columns) - 1
        if tray.text.shape[1] <= places[-1]:
            msg = f"a card has {tray.text.shape[1]} columns, so it has no column {places[-1] + 1}"
            raise ValueError(msg)
        if tray.holes is not None and tray.native is None:
            return tray.holes[:, places]
        text = tray.text[:, places]
        patterns = hole_patterns(tray.code, tray.text)[:, places]
        if int(patterns.min(initial=0)) < 0:
            msg = f"code {tray.code.name!r} has no holes for a character of these columns"
            raise ValueError(msg)
        holes = patterns.astype(np.uint16)
        if tray.holes is not None and tray.native is not None:
            have = places < tray.native.shape[1]
            same = text[:, have] == tray.native[:, places[have]]
            holes[:, have] = np.where(same, tray.holes[:, places[have]], holes[:, have])
        return holes


def _expression(text: str) -> Expression | None:
    try:
        return Expression(text) if text else None
    except ValueError as error:
        raise OptionProblem(str(error), "where") from error


def _columns(text: str) -> list[int]:
    """Return the columns that a text such as "10-12,40" names, in order.

    Raises:
        OptionProblem: it names none, or one that a card cannot have.
    """
    found: set[int] = set()
    for part in text.split(","):
        said = _RANGE.fullmatch(part.strip())
        first = int(said[1]) if said else 0
        last = int(said[2] or first) if said else 0
        if not 1 <= first <= last <= WIDEST:
            what = f"{part.strip()!r} names no columns; write them as in '10-12,40'"
            raise OptionProblem(what, "columns")
        found.update(range(first, last + 1))
    return sorted(found)


def _doubled(names: list[str]) -> str:
    return next(name for index, name in enumerate(names) if name in names[:index])


def _named(cells: NDArray[np.uint16]) -> list[str]:
    """Return the names of patterns (n); each distinct one is named once."""
    distinct, places = np.unique(cells, return_inverse=True)
    names = np.array([format_pattern(int(pattern)) for pattern in distinct], object)
    named: list[str] = names[places].tolist()
    return named


def _csv(frame: pl.DataFrame, *, header: bool) -> bytes:
    buffer = io.BytesIO()
    frame.write_csv(buffer, include_header=header, line_terminator="\r\n")
    return buffer.getvalue()


@hookimpl
def deckwright_stages() -> list[type[Stage[Any]]]:
    """Bring the stage."""
    return [SpreadStage]

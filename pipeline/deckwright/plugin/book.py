"""The book: where a stage writes what it does with the cards of one tray."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codetable import ILLEGAL
from deckwright.cards.matrix import cut, rows_of
from deckwright.layout.foundtext import spelled_out
from deckwright.layout.tray import Tray, as_mask, is_among
from deckwright.plugin.tables import Column, Table, TableRows, table_named
from deckwright.plugin.values import RawTray

Severity = Literal["fatal", "query", "note"]
"""fatal: the card is returned; query: kept and listed for a person; note: kept and counted."""

Mask = NDArray[np.bool_] | NDArray[np.integer] | pl.Series
"""A mask (n) or places (k, from 0) in a tray."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One reason that holds for some cards. cards: int64 (k); found: text (k) that stood there.

    of: card numbers (n) of the tray that was spoken of; rows: places (k) in it. details: text (k),
    what `detail` is for each of these cards, where that differs from card to card.
    """

    cards: NDArray[np.int64]
    reason: str
    severity: Severity
    field: str
    columns: tuple[int, int] | None
    column: NDArray[np.integer] | None
    found: NDArray[np.uint8] | list[str] | None
    detail: str
    of: NDArray[np.int64]
    rows: NDArray[np.integer]
    details: Sequence[str] | None = None


@dataclass(frozen=True, slots=True)
class Gone:
    """Cards (k) that left the chain; mask: bool (n) over the tray whose numbers are `of`."""

    cards: NDArray[np.int64]
    of: NDArray[np.int64]
    mask: NDArray[np.bool_]
    reason: str = ""
    tray: Tray | None = None
    """The tray itself, for cards that a stage has just added."""


@dataclass(slots=True)
class Book:
    """The account of one stage over one tray. The engine makes it, checks it and journals it.

    Attributes:
        arrival: what the medium delivered; only for the stage that decodes.
        lacking: only for a group stage that asks by `returned_sums`: a row for each group of the
            tray, in its order, with the group's fields, `returned` (how many of its cards earlier
            stages returned) and `returned_NAME` (the sum of that field over those cards; a value
            that could not be read adds nothing).
        tables: those that the stage declares.
    """

    arrival: RawTray | None = None
    lacking: pl.DataFrame = field(default_factory=pl.DataFrame)
    tables: Mapping[str, Table] = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)
    returned: list[Gone] = field(default_factory=list)
    aside: list[Gone] = field(default_factory=list)
    added: list[NDArray[np.int64]] = field(default_factory=list)
    records: dict[int, bytes] = field(default_factory=dict)
    met_rows: dict[str, tuple[NDArray[np.int64], NDArray[np.int64]]] = field(default_factory=dict)
    tallies: dict[str, int] = field(default_factory=dict)
    next_added: int = 0
    table_rows: list[TableRows] = field(default_factory=list)

    def give_back(
        self,
        tray: Tray,
        mask: Mask,
        reason: str,
        *,
        field: str = "",
        detail: str = "",
    ) -> Tray:
        """Return the cards under the mask to be repaired; give the tray without them."""
        rows = _rows(mask)
        if not rows.size:
            return tray
        self.fault(tray, rows, reason, field=field, detail=detail)
        return self.settle(tray)

    def fault(
        self,
        tray: Tray,
        mask: Mask,
        reason: str,
        *,
        field: str = "",
        columns: tuple[int, int] | None = None,
        column: NDArray[np.integer] | None = None,
        detail: str = "",
        details: Sequence[str] | None = None,
        severity: Severity = "fatal",
    ) -> None:
        """Enter a reason for the cards under the mask and keep them, for `settle` to decide.

        Args:
            tray: the tray that the mask speaks of.
            mask: bool (n), or places (k).
            reason: short code, kebab-case.
            field: the field that is at fault.
            columns: its columns, from 1; looked up in the layouts in force when left out.
            column: the exact column (k), from 1, where known.
            detail: one sentence that says the rule; cards are counted by it.
            details: one sentence for each card (k) in its place on lists and drawings, such as by
                how much a total differs.
            severity: fatal, query or note.
        """
        rows = _rows(mask)
        if not rows.size:
            return
        if columns is None and field:
            columns = _columns_of(tray, field)
        found: NDArray[np.uint8] | list[str] | None = None
        if columns is not None:
            found = _found(tray, rows, columns)
        elif field and field in tray.names:
            found = [str(value) for value in tray[field].gather(rows).to_list()]
        cards = tray.cards[rows]
        self.entries.append(
            Entry(
                cards,
                reason,
                severity,
                field,
                columns,
                column,
                found,
                detail,
                tray.cards,
                rows,
                None if details is None else _as_many(details, len(rows)),
            ),
        )

    def rows(self, tray: Tray, mask: Mask, table: str, columns: Mapping[str, Column]) -> None:
        """Enter rows of a table, one for each card under the mask, which the row belongs to.

        Rows of a table are delivered in the order of their cards; several of one card in the
        order in which they were entered.

        Args:
            tray: the tray that the mask speaks of.
            mask: bool (n), or places (k); the place of a card may stand there several times.
            table: its name, as `Stage.tables` declares it.
            columns: values (k) of every column that it declares.

        Raises:
            ValueError: the table is not declared so.
        """
        frame = table_named(self.tables, table).frame(table, columns)
        places = _rows(mask).astype(np.intp, copy=False)
        if frame.height != len(places):
            msg = f"table {table!r}: {frame.height} rows for {len(places)} cards"
            raise ValueError(msg)
        if frame.height:
            self.table_rows.append(TableRows(table, places, tray.cards[places], frame))

    def settle(self, tray: Tray) -> Tray:
        """Return every card of the tray that has a fatal reason; give the others."""
        rows = self.settle_rows(tray)
        return tray if len(rows) == len(tray) else tray.take(rows)

    def settle_rows(self, tray: Tray) -> NDArray[np.intp]:
        """Return every card of the tray that has a fatal reason; give the places of the others."""
        gone = np.zeros(len(tray), np.bool_)
        fatal = [entry for entry in self.entries if entry.severity == "fatal"]
        if all(entry.of is tray.cards for entry in fatal):
            for entry in fatal:
                gone[entry.rows] = True
        else:
            gone = is_among(tray.cards, np.concatenate([entry.cards for entry in fatal]))
        if gone.any():
            self.returned.append(Gone(tray.cards[gone], tray.cards, gone, tray=tray))
        return np.flatnonzero(~gone)

    def set_aside(self, tray: Tray, mask: Mask, reason: str) -> Tray:
        """Take cards that are not data out of the chain; give the tray without them."""
        rows = _rows(mask)
        if not rows.size:
            return tray
        gone = np.zeros(len(tray), np.bool_)
        gone[rows] = True
        self.aside.append(Gone(tray.cards[rows], tray.cards, gone, reason, tray))
        return tray.keep(~gone)

    def add_cards(self, count: int) -> NDArray[np.int64]:
        """Return numbers for `count` new cards that the stage adds to its tray."""
        cards = np.arange(self.next_added, self.next_added + count, dtype=np.int64)
        self.next_added += count
        self.added.append(cards)
        return cards

    def met(self, tray: Tray, master: str, records: NDArray[np.int64]) -> None:
        """Enter which record (n, from 1; 0 = none) of a master each card of the tray met."""
        self.met_rows[master] = (tray.cards, records)

    def tally(self, name: str, amount: int) -> None:
        """Add to a count or total that the control sheet shows for this stage."""
        self.tallies[name] = self.tallies.get(name, 0) + int(amount)


def _as_many(details: Sequence[str], cards: int) -> Sequence[str]:
    if isinstance(details, str) or len(details) != cards:
        msg = f"details should be {cards} sentences, one for each card"
        raise ValueError(msg)
    return details


def _rows(mask: Mask) -> NDArray[np.integer]:
    if isinstance(mask, np.ndarray) and mask.dtype != np.bool_:
        return mask.astype(np.intp, copy=False)
    return np.flatnonzero(as_mask(cast("NDArray[np.bool_] | pl.Series", mask)))


def _found(
    tray: Tray, rows: NDArray[np.integer], columns: tuple[int, int]
) -> NDArray[np.uint8] | list[str]:
    found = cut(rows_of(tray.text, rows), *columns)
    if tray.holes is None or tray.native is not None:  # holes belong to the card as it was read
        return found
    first, last = columns
    if not (found == ILLEGAL).any():
        return found
    said = spelled_out(found, tray.holes[rows, first - 1 : last], tray.code)
    return found if said is None else said


def _columns_of(tray: Tray, name: str) -> tuple[int, int] | None:
    for reading in reversed(tray.readings):
        columns: Sequence[tuple[int, int]] = getattr(reading.layout, "columns", lambda _: [])(name)
        if columns:
            return columns[0]
    return None

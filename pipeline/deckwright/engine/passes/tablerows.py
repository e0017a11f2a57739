"""Rows of the tables that stages keep, as stretches of the files in which they are delivered."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.layout.personal import Seal
from deckwright.plugin.tables import CARD_COLUMNS, SCHEMA_TYPES, Table, TableRows, file_of
from deckwright.plugin.values import DeckPart, Part


def schema_of(table: Table) -> dict[str, object]:
    """Return the table schema of a table's file."""
    first = dict(zip(CARD_COLUMNS, ("integer", "string", "integer"), strict=True))
    every = first | {name: SCHEMA_TYPES[kind] for name, kind in table.columns.items()}
    fields = [{"name": name, "type": kind} for name, kind in every.items()]
    return {"fields": fields, "missingValues": [""]}


def parts_of(entered: Sequence[TableRows], decks: Sequence[DeckPart]) -> list[Part]:
    """Return what the rows that were entered for one tray put into their files.

    Rows of one table lie in the order of their cards in the tray, so that no cut of the deck into
    trays can be seen in it.
    """
    parts = []
    for name in dict.fromkeys(rows.table for rows in entered):
        mine = [rows for rows in entered if rows.table == name]
        order = np.argsort(np.concatenate([rows.places for rows in mine]), kind="stable")
        cards = np.concatenate([rows.cards for rows in mine])[order]
        frame = pl.concat([rows.frame for rows in mine])[order]
        parts.append(part_of(name, frame, cards, decks))
    return parts


def sealed_rows(
    entered: Sequence[TableRows], personal: frozenset[str], seal: Seal
) -> Sequence[TableRows]:
    """Return rows with digests in the columns that are called as personal fields are.

    A column that is no text cannot hold one: its values are then missing.
    """
    if not personal:
        return entered
    return [replace(rows, frame=sealed_frame(rows.frame, personal, seal)) for rows in entered]


def sealed_frame(frame: pl.DataFrame, personal: frozenset[str], seal: Seal) -> pl.DataFrame:
    """Return a table as `sealed_rows` says."""
    hidden = [column for column in frame.get_columns() if column.name in personal]
    return frame.with_columns(
        seal.texts(column)
        if column.dtype == pl.String
        else pl.Series(column.name, [None] * len(column), dtype=column.dtype)
        for column in hidden
    )


def part_of(
    name: str, frame: pl.DataFrame, cards: NDArray[np.int64] | None, decks: Sequence[DeckPart]
) -> Part:
    """Return rows as a stretch of their file; cards: int64 (k), None where they are of none."""
    if cards is None:
        nothing = pl.Series([None] * frame.height, dtype=pl.Int64)
        first = [nothing.alias("card"), nothing.cast(pl.String).alias("deck"), nothing.alias("n")]
    else:
        first = _found(cards, decks)
    buffer = io.BytesIO()
    pl.DataFrame([*first, *frame.get_columns()]).write_csv(
        buffer, include_header=False, line_terminator="\r\n"
    )
    return Part(file_of(name), buffer.getvalue(), frame.height, cards)


def _found(cards: NDArray[np.int64], decks: Sequence[DeckPart]) -> list[pl.Series]:
    """Return number in the run, deck, and number in the deck; one that was added has no deck."""
    firsts = np.array([deck.first for deck in decks])
    of = np.searchsorted(firsts, cards, side="right") - 1
    there = cards - firsts[of] + 1
    own = there <= np.array([deck.cards for deck in decks])[of]
    names = pl.Series([deck.name for deck in decks], dtype=pl.String)
    known = pl.Series(own)
    return [
        pl.Series("card", cards),
        names.gather(of).zip_with(known, pl.Series([None], dtype=pl.String)).alias("deck"),
        pl.Series(there).zip_with(known, pl.Series([None], dtype=pl.Int64)).alias("card_in_deck"),
    ]

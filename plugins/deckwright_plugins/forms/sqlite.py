"""The form sqlite: a database of one table, its rows in the order of the cards."""

from __future__ import annotations

import errno
import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any

import polars as pl
from pydantic import AfterValidator
from typing_extensions import override

from deckwright import (
    Bench,
    Form,
    Known,
    OptionProblem,
    TableConfig,
    TableForm,
    Tray,
    hookimpl,
)
from deckwright_plugins.shared.frames import packed, unpacked

_MOST_COLUMNS = 2_000
"""What the library takes when it is built as it comes."""

_CELLS = 200_000
"""Values that are handed to the database at once."""

_SETTINGS = (
    "PRAGMA page_size = 4096",
    "PRAGMA encoding = 'UTF-8'",
    "PRAGMA auto_vacuum = 0",
    "PRAGMA journal_mode = OFF",  # a run that is cut off delivers nothing, so nothing is undone
    "PRAGMA synchronous = OFF",
    "PRAGMA cache_size = -16384",
)


_SYSTEM = {sqlite3.SQLITE_FULL: errno.ENOSPC, sqlite3.SQLITE_IOERR: errno.EIO}


_TABLE_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")


def _is_a_table_name(name: str) -> str:
    if not _TABLE_NAME.fullmatch(name):
        msg = "should be letters, digits and '_', a letter first"
        raise ValueError(msg)
    if name.lower().startswith("sqlite_"):
        msg = "should not begin with 'sqlite_', which the library keeps for itself"
        raise ValueError(msg)
    return name


class SqliteConfig(TableConfig):
    """Deliver an SQLite database of one table; decimals and dates are exact texts in it."""

    table: Annotated[str, AfterValidator(_is_a_table_name)] = "cards"
    """Name of the table."""


class SqliteForm(TableForm[SqliteConfig]):
    """Writes an SQLite database."""

    kind = "sqlite"

    @override
    def outline(self, known: Known) -> None:
        super().outline(known)
        if len(self.headings) > _MOST_COLUMNS:
            what = (
                f"a table of SQLite holds {_MOST_COLUMNS:,} columns, not {len(self.headings):,};"
                " list the columns that you want"
            )
            raise OptionProblem(what, "columns" if self.config.columns else "form")
        seen: dict[str, str] = {}
        for index, heading in enumerate(self.headings):
            other = seen.setdefault(_small(heading), heading)
            if other != heading:
                what = f"headings {other!r} and {heading!r} are one name for SQLite"
                raise OptionProblem(what, "columns", index)
            if "\0" in heading:
                what = f"heading {heading!r} holds a character that SQLite takes in no name"
                raise OptionProblem(what, "columns", index)

    @override
    def body(self, tray: Tray) -> bytes:
        exact = [name for name, kind in self.types().items() if not isinstance(kind, pl.Int64)]
        return packed(self.frame(tray).with_columns(pl.col(exact).cast(pl.String)))

    @override
    def complete(self, pieces: Iterator[bytes], place: Path, bench: Bench) -> None:
        try:
            self._write(pieces, place)
        except sqlite3.OperationalError as error:
            # the system's own number is lost; the first byte of the library's says what it was
            code = _SYSTEM.get(error.sqlite_errorcode & 0xFF)
            if code is None:
                raise
            raise OSError(code, os.strerror(code), str(place)) from error

    def _write(self, pieces: Iterator[bytes], place: Path) -> None:
        columns = ", ".join(
            f"{_quoted(name)} {'INTEGER' if isinstance(kind, pl.Int64) else 'TEXT'}"
            for name, kind in self.types().items()
        )
        table = _quoted(self.config.table)
        marks = ", ".join("?" * len(self.headings))
        with closing(sqlite3.connect(place, isolation_level=None)) as database:
            for setting in _SETTINGS:
                database.execute(setting)
            database.execute("BEGIN")
            database.execute(f"CREATE TABLE {table} ({columns})")
            insert = f"INSERT INTO {table} VALUES ({marks})"  # noqa: S608 # names are quoted
            for piece in pieces:
                for some in unpacked(piece).iter_slices(max(1, _CELLS // len(self.headings))):
                    database.executemany(insert, some.rows())
            database.execute("COMMIT")


def _small(heading: str) -> str:
    """Return a name as SQLite compares it: letters of ASCII only are alike in both cases."""
    return "".join(chr(ord(c) + 32) if "A" <= c <= "Z" else c for c in heading)


def _quoted(name: str) -> str:
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


@hookimpl
def deckwright_forms() -> list[type[Form[Any]]]:
    """Bring the form."""
    return [SqliteForm]

"""The file of the ledger: opened, made, brought up to date, put aside where it is damaged."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Self

from deckwright.service.store.tables import SCHEMA, TABLES, expect_sound, is_damage

_WAL_PAGES = 128  # of 4 KiB: on a small disk every byte counts


class LedgerError(Exception):
    """The ledger cannot be read or written; the service ends and rebuilds it at its next start."""


class LedgerFullError(LedgerError):
    """There is no room for it now; nothing was entered."""


class NewerLedgerError(Exception):
    """The ledger is of a later version of the program."""


class Database:
    """The one writing connection."""

    def __init__(self, path: Path) -> None:
        """Open the ledger; make it where there is none; put a damaged one aside and begin anew.

        Raises:
            LedgerError: it cannot be opened now.
            NewerLedgerError: a later version of the program wrote it.
        """
        self.path = path
        self.fresh = not path.exists()
        """Whether it was begun anew: counts of tries, and decks taken away, are forgotten."""
        try:
            self._open()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            if not is_damage(error):
                raise LedgerError(str(error)) from error
            self.fresh = True
            try:
                self._put_aside()
                self._open()
            except (sqlite3.Error, OSError) as again:
                raise LedgerError(str(again)) from again

    @classmethod
    def reader(cls, path: Path) -> Self:
        """Return a ledger for reading only, beside the one that writes.

        Raises:
            LedgerError: there is none, or it cannot be read.
        """
        ledger = cls.__new__(cls)
        ledger.path, ledger.fresh = path, False
        try:
            database = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=2)
            database.execute("SELECT run, file, late FROM runs LIMIT 1").fetchone()
        except sqlite3.Error as error:
            raise LedgerError(str(error)) from error
        ledger._db = database  # noqa: SLF001 # its own
        return ledger

    def close(self) -> None:
        """Close the connection."""
        self._db.close()

    def _open(self) -> None:
        self._db = sqlite3.connect(self.path, timeout=2, isolation_level=None)
        try:
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute(f"PRAGMA wal_autocheckpoint={_WAL_PAGES}")
            self._db.execute(f"PRAGMA journal_size_limit={_WAL_PAGES << 12}")
            version = int(self._db.execute("PRAGMA user_version").fetchone()[0])
            self._expect_known(version)
            if version < SCHEMA:
                self._make()
            expect_sound(self._db)
            self._db.execute(f"PRAGMA user_version={SCHEMA}")  # may it be written?
        except BaseException:
            self._db.close()
            raise

    def _expect_known(self, version: int) -> None:
        if version > SCHEMA:
            msg = f"{self.path}: a later version of deckwright wrote this ledger"
            raise NewerLedgerError(msg)

    def _make(self) -> None:
        there = self._db.execute("SELECT name FROM sqlite_master").fetchall()
        names = {str(name) for (name,) in there}
        wanted = [
            each for each in TABLES.split(";") if each.split() and each.split()[2] not in names
        ]
        if names and not {"runs", "tries"} <= names:
            return  # somebody else's
        self.fresh = not names  # else of an earlier version, which lacks some tables
        self._db.executescript(f"BEGIN;{';'.join(wanted)};PRAGMA user_version={SCHEMA};COMMIT;")

    def _put_aside(self) -> None:
        number = 1
        while self.path.with_name(f"{self.path.name}.damaged-{number}").exists():
            number += 1
        for suffix in ("", "-wal", "-shm"):
            part = self.path.with_name(self.path.name + suffix)
            if part.exists():
                part.rename(part.with_name(f"{self.path.name}.damaged-{number}{suffix}"))

    @contextlib.contextmanager
    def _unhurried(self) -> Iterator[None]:
        """Commit what is done within without a flush: the next commit with one takes it along.

        Only for what the folders say too: a power cut may take it, and a start enters it anew.
        """
        self._db.execute("PRAGMA synchronous=NORMAL")
        try:
            yield
        finally:
            self._db.execute("PRAGMA synchronous=FULL")

    def _do(self, sql: str, values: Sequence[object] = ()) -> sqlite3.Cursor:
        try:
            return self._db.execute(sql, values)
        except sqlite3.Error as error:
            with contextlib.suppress(sqlite3.Error):
                self._db.rollback()  # else nothing could be entered ever after
            full = getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_FULL
            raise (LedgerFullError if full else LedgerError)(str(error)) from error

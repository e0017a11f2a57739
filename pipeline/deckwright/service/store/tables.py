"""The tables of the ledger, what their rows are, and whether those in a file are sound."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

SCHEMA = 3
"""Number of these tables; a later version of the program may have others."""

TABLES = """
CREATE TABLE runs (
    run TEXT PRIMARY KEY, prefix TEXT NOT NULL, n INTEGER NOT NULL, name BLOB NOT NULL,
    folder BLOB NOT NULL, job TEXT NOT NULL, config TEXT NOT NULL, sha256 TEXT NOT NULL,
    size INTEGER NOT NULL, place INTEGER NOT NULL, state TEXT NOT NULL,
    taken_at TEXT NOT NULL, ended_at TEXT NOT NULL DEFAULT '', code TEXT NOT NULL DEFAULT '',
    cards INTEGER NOT NULL DEFAULT 0, cards_returned INTEGER NOT NULL DEFAULT 0,
    follows TEXT, again TEXT, mtime_ns INTEGER NOT NULL DEFAULT 0, late INTEGER NOT NULL DEFAULT 0,
    delivered TEXT NOT NULL DEFAULT '',
    lane TEXT, move INTEGER, parent TEXT, next TEXT, file TEXT
) STRICT;
CREATE INDEX runs_prefix ON runs (prefix, n);
CREATE INDEX runs_content ON runs (sha256, config, state);
CREATE INDEX runs_state ON runs (state, place);
CREATE INDEX runs_name ON runs (job, name);
CREATE INDEX runs_lane ON runs (lane, move, parent, next, file);
CREATE TABLE tries (
    run TEXT NOT NULL, number INTEGER NOT NULL, at TEXT NOT NULL, outcome TEXT NOT NULL DEFAULT '',
    code TEXT NOT NULL DEFAULT '', stage TEXT NOT NULL DEFAULT '',
    sentence TEXT NOT NULL DEFAULT '', calls TEXT NOT NULL DEFAULT '[]',
    PRIMARY KEY (run, number)
) STRICT;
CREATE TABLE ends (
    number INTEGER PRIMARY KEY, at TEXT NOT NULL, lived REAL NOT NULL, runs TEXT NOT NULL,
    through INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE open_ends (
    run TEXT PRIMARY KEY, tail INTEGER NOT NULL DEFAULT 0, continued_by TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE masters (run TEXT PRIMARY KEY, records INTEGER NOT NULL) STRICT;
"""
"""What was decided from stands in an index too, so that a check finds where the two differ."""

_DAMAGE = ("malformed", "not a database", "no such", "decode", "readonly")


@dataclass(frozen=True, slots=True)
class Try:
    """One try of a run. outcome: as in `orders.Outcome`, empty while it runs."""

    number: int
    at: str
    outcome: str
    code: str
    stage: str
    sentence: str
    calls: list[str]


@dataclass(frozen=True, slots=True)
class PastTry:
    """How a try of any run ended. through: it is the one with which its run was done."""

    job: str
    run: str
    through: bool
    outcome: str
    code: str
    stage: str


@dataclass(frozen=True, slots=True)
class End:
    """An end of the service that nobody asked for. lived: seconds; runs: what ran then.

    through: whether a run has come to its end since.
    """

    at: str
    lived: float
    runs: list[str]
    through: bool


@dataclass(frozen=True, slots=True)
class Row:
    """A run as the ledger knows it."""

    run: str
    prefix: str
    n: int
    name: bytes
    folder: bytes
    job: str
    config: str
    sha256: str
    size: int
    place: int
    state: str
    taken_at: str
    ended_at: str
    code: str
    cards: int
    cards_returned: int
    follows: str | None
    again: str | None
    mtime_ns: int
    late: int
    delivered: str
    lane: str | None
    move: int | None
    parent: str | None
    next: str | None
    file: str | None


def expect_sound(database: sqlite3.Connection) -> None:
    """Read all that lies in a ledger.

    Raises:
        sqlite3.DatabaseError, UnicodeDecodeError: it has other tables, or something in it cannot
            be read or contradicts itself.
    """
    known = database.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    wanted = [(table.strip(),) for table in TABLES.split(";") if table.strip()]
    said = database.execute("PRAGMA integrity_check(1)").fetchone()[0]
    for table in ("runs", "tries", "ends", "masters", "open_ends"):
        for _ in database.execute(f"SELECT * FROM {table}"):  # noqa: S608 # fixed
            pass
    list(database.execute("SELECT json(calls) FROM tries"))
    list(database.execute("SELECT json(runs) FROM ends"))
    if sorted(known) != sorted(wanted) or said != "ok":
        msg = "malformed"
        raise sqlite3.DatabaseError(msg)


def is_damage(error: Exception) -> bool:
    """Tell whether an error says that a ledger is of no use, not that it cannot be used now."""
    passing = isinstance(error, sqlite3.OperationalError)
    return not passing or any(words in str(error) for words in _DAMAGE)

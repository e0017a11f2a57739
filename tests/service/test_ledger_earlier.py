"""A ledger that an earlier version of the program wrote goes on with all that stands in it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from deckwright.service.store.ledger import Ledger, LedgerError, NewerLedgerError
from deckwright.service.store.tables import SCHEMA

FIRST = """
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
"""
MASTERS = "CREATE TABLE masters (run TEXT PRIMARY KEY, records INTEGER NOT NULL) STRICT;\n"
ENDS = """CREATE TABLE ends (
    number INTEGER PRIMARY KEY, at TEXT NOT NULL, lived REAL NOT NULL, runs TEXT NOT NULL,
    through INTEGER NOT NULL DEFAULT 0
) STRICT;
"""
EARLIER = [(1, FIRST), (2, FIRST + MASTERS), (2, FIRST + ENDS + MASTERS)]
"""Number and tables of every earlier form, as they were then."""

RUNS = [
    ("a-1", "a", 1, b"a\xff", b"cards", "cards", "0" * 64, "1" * 64, 80, 1, "done",
     "2031-05-06T07:08:09", "2031-05-06T07:08:19", "", 1, 0, None, None, 5, 0, "",
     "stock", 1, None, "2" * 64, "next.csv"),
    ("b-1", "b", 1, b"b", b"cards", "cards", "0" * 64, "3" * 64, 160, 2, "returned",
     "2031-05-06T07:09:09", "2031-05-06T07:09:19", "code", 2, 2, "a-1", None, 6, 1, "",
     None, None, None, None, None),
    ("c-1", "c", 1, b"c", b"cards", "cards", "0" * 64, "4" * 64, 240, 3, "waiting",
     "2031-05-06T07:10:09", "", "", 0, 0, None, "b-1", 7, 0, "",
     None, None, None, None, None),
]  # fmt: skip
TRIES = [
    ("c-1", 1, "2031-05-06T07:10:10", "stage", "code", "sort", "a sentence", '["x.py:1 run"]'),
    ("c-1", 2, "2031-05-06T07:11:10", "", "", "", "", "[]"),
]


def earlier(path: Path, schema: int, tables: str) -> dict[str, list[tuple[object, ...]]]:
    """Write the ledger of an earlier version; return its rows by table."""
    rows: dict[str, list[tuple[object, ...]]] = {"runs": [*RUNS], "tries": [*TRIES]}
    if MASTERS in tables:
        rows["masters"] = [("a-1", 17)]
    if ENDS in tables:
        rows["ends"] = [(1, "2031-05-06T07:10:20", 3.5, '["c-1"]', 0)]
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA journal_mode=WAL")
        database.executescript(f"BEGIN;{tables}PRAGMA user_version={schema};COMMIT;")
        for table, found in rows.items():
            marks = ",".join("?" * len(found[0]))
            database.executemany(f"INSERT INTO {table} VALUES ({marks})", found)  # noqa: S608 # fixed
        database.commit()
    return rows


def tables_in(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as database:
        found = database.execute("SELECT name FROM sqlite_master WHERE type='table'").fetchall()
    return [str(name) for (name,) in found]


def rows_in(path: Path, table: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as database:
        return database.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()  # noqa: S608 # fixed


@pytest.mark.parametrize(("schema", "tables"), EARLIER)
def test_a_ledger_of_an_earlier_version_becomes_one_of_this_and_keeps_its_rows(
    schema: int, tables: str, tmp_path: Path
) -> None:
    path = tmp_path / "ledger.db"
    rows = earlier(path, schema, tables)
    with closing(Ledger(path)) as ledger:
        assert not ledger.fresh  # tries and ended decks are known
        assert [row.run for row in ledger.rows("done", "returned", "waiting")] == [
            "a-1", "b-1", "c-1",
        ]  # fmt: skip
        assert ledger.tries("c-1") == 2
        assert ledger.records_left("a-1") == (17 if "masters" in rows else None)
        assert [end.runs for end in ledger.ends()] == ([["c-1"]] if "ends" in rows else [])
        assert ledger.open_end("c-1") == 0
        ledger.enter_end("2031-05-06T07:12:20", 1.0, ["c-1"])  # what was added can be written
    for table, found in rows.items():
        assert rows_in(path, table)[: len(found)] == found
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA user_version").fetchone() == (SCHEMA,)
    with closing(Ledger(path)) as ledger:  # and it is sound to this version
        assert not ledger.fresh
        assert ledger.ends()[-1].lived == 1.0
    assert not list(tmp_path.glob("*.damaged-*"))


@pytest.mark.parametrize(("schema", "tables"), EARLIER)
def test_a_ledger_that_cannot_be_brought_up_to_date_stays_as_it_was(
    schema: int, tables: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table that cannot be made takes back those that were made before it."""
    path = tmp_path / "ledger.db"
    rows = earlier(path, schema, tables)
    monkeypatch.setattr(
        "deckwright.service.store.database.TABLES",
        f"{FIRST}{ENDS}CREATE TABLE extra (run TEXT) STRICT;\nCREATE TABLE worse (run SOME) STRICT",
    )
    with pytest.raises(LedgerError, match="worse"):
        Ledger(path)
    monkeypatch.undo()
    assert sorted(tables_in(path)) == sorted(rows)
    with closing(Ledger(path)) as ledger:
        assert not ledger.fresh
    assert rows_in(path, "runs") == rows["runs"]


def test_a_ledger_of_a_later_version_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    earlier(path, SCHEMA + 1, FIRST)
    before = path.read_bytes()
    with pytest.raises(NewerLedgerError):
        Ledger(path)
    assert path.read_bytes() == before

"""Whatever has become of the ledger: it is rebuilt and no deck changes its state, or is refused."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.errors import RestartError, WorkspaceError
from deckwright.service.setup import open_ledger
from deckwright.service.store.ledger import Ledger, NewerLedgerError
from deckwright.service.system.places import Workspace
from service.contract import assert_contract, assert_ledger
from service.kit import CARDS, STOCK, ask, drop, lay_out, quick_room, started
from service.scenarios import run_of

DECKS = {
    "a.deck": b"card of a\n",
    "bad.deck": b"!deck\n",
    "b.deck": b"card of b\n",
    "flaky.deck": b"!flaky 1\ncard\n",
    "held.deck": b"!flaky 1\nheld\n",
    "m.deck": b"item 1,1\n",
}
"""Decks in every state: three are done, and one each is returned, waits to be retried, is held."""

HELD = run_of(("held.deck", DECKS["held.deck"]))
MORE = [("a.deck", DECKS["a.deck"]), ("other.deck", DECKS["a.deck"]), ("n.deck", b"item 2,1\n")]
"""What is dropped later: a deck once more, its bytes under another name, one for a master."""

Spoil = Callable[[Path], object]


@pytest.fixture(scope="module")
def used() -> Iterator[Path]:
    """Return a workspace with decks in every state; nobody may change it."""
    with quick_room() as room:
        root = room / "workspace"
        lay_out(root)
        for name, data in DECKS.items():
            drop(root, name, data, STOCK if name == "m.deck" else CARDS)
        with started(root) as rig:
            rig.step_due()
            ask(root, "hold", HELD)
            rig.step_due()
            shutil.copy(root / "ledger.db-wal", root / "earlier log")
        yield root


@contextmanager
def copied(used: Path) -> Iterator[Path]:
    """Yield a copy of a workspace."""
    with quick_room() as room:
        yield Path(shutil.copytree(used, room / "workspace"))


def places(root: Path) -> dict[str, str]:
    """Return where each deck lies that was taken."""
    return {
        home.name: place
        for place in ("work", "hold", "done", "returned")
        for home in (root / place).iterdir()
    }


def assert_goes_on(root: Path) -> None:
    """Fail unless the service starts, leaves every deck in its state, and then does all of it."""
    before = places(root)
    with started(root) as rig:
        assert places(root) == before
        assert_contract(root, DECKS)
        for name, data in MORE:
            drop(root, name, data, STOCK if name == "n.deck" else CARDS)
        ask(root, "resume", HELD)
        rig.step_all()
    tally = assert_contract(root, [*DECKS.items(), *MORE], ended=True)
    assert (tally.done, tally.returned) == (7, 2), tally.places
    assert_ledger(root)


def ledger_of(root: Path) -> Path:
    return root / "ledger.db"


def data_of(root: Path) -> bytes:
    return ledger_of(root).read_bytes()


def told(*sql: str) -> Spoil:
    """Return what tells the ledger something behind the service's back."""

    def tell(root: Path) -> None:
        with closing(sqlite3.connect(ledger_of(root))) as database:
            for each in sql:
                database.execute(each)
            database.commit()

    return tell


def written(data: Callable[[bytes], bytes]) -> Spoil:
    """Return what puts something in the place of the ledger."""
    return lambda root: ledger_of(root).write_bytes(data(data_of(root)))


def made_anew(*sql: str) -> Spoil:
    """Return what puts another database in the place of the ledger."""

    def make(root: Path) -> None:
        ledger_of(root).unlink()
        told(*sql)(root)

    return make


OLD_TABLE = "CREATE TABLE runs (run TEXT PRIMARY KEY, state TEXT)"
STRANGER = (
    "INSERT INTO runs (run, prefix, n, name, folder, job, config, sha256, size, place, state,"
    " taken_at) VALUES ('0123456789abcdef-012345-1', '0123456789abcdef-012345', 1, x'61', x'61',"
    " 'cards', 'c', 's', 1, 99, 'running', '')"
)

FORGOTTEN: dict[str, Spoil] = {
    "is absent": lambda root: ledger_of(root).unlink(),
    "is empty": written(lambda _: b""),
    "has lost every row": told("DELETE FROM runs", "DELETE FROM tries"),
    "has lost some rows": told("DELETE FROM runs WHERE state='done'"),
    "has lost the tries": told("DELETE FROM tries"),
    "is older than some ends": told("UPDATE runs SET state='waiting', ended_at=''"),
    "thinks that all is done": told("UPDATE runs SET state='done'"),
    "thinks that all is held": told("UPDATE runs SET state='hold'"),
    "knows a run that is nowhere": told(STRANGER),
    "has a log of nonsense": lambda root: (root / "ledger.db-wal").write_bytes(b"nonsense" * 999),
    "has an index of nonsense": lambda root: (root / "ledger.db-shm").write_bytes(b"x" * 32768),
    "has an earlier log": lambda root: (root / "earlier log").rename(root / "ledger.db-wal"),
}
"""What can be put right row by row."""

DAMAGED: dict[str, Spoil] = {
    "is random": written(lambda data: random.Random(1).randbytes(len(data))),  # noqa: S311 # repeatable
    "is text": written(lambda _: b"a ledger\n" * 1000),
    "is zeros": written(lambda data: bytes(len(data))),
    "ends after its header": written(lambda data: data[:100]),
    "ends after a page": written(lambda data: data[:4096]),
    "ends halfway": written(lambda data: data[: len(data) // 2]),
    "ends within a page": written(lambda data: data[:-100]),
    "has a page of zeros": written(lambda data: data[:8192] + bytes(4096) + data[12288:]),
    "is of an earlier version": made_anew(OLD_TABLE),
    "has other columns": made_anew(OLD_TABLE, "PRAGMA user_version=1"),
    "lacks a column": told("ALTER TABLE runs DROP COLUMN delivered"),
    "lacks a table": told("DROP TABLE tries"),
    "lacks an index": told("DROP INDEX runs_prefix"),
    "has an odd list of calls": told("UPDATE tries SET calls='['"),
}
"""What is put aside."""


@pytest.mark.parametrize("what", FORGOTTEN)
def test_no_deck_changes_its_state_when_the_ledger(what, used):
    with copied(used) as root:
        FORGOTTEN[what](root)
        assert_goes_on(root)
        assert list(root.glob("*.damaged-*")) == []


@pytest.mark.parametrize("what", DAMAGED)
def test_the_ledger_is_put_aside_and_rebuilt_when_it(what, used):
    with copied(used) as root:
        DAMAGED[what](root)
        size = ledger_of(root).stat().st_size
        with closing(Ledger(ledger_of(root))) as ledger:
            assert ledger.fresh
        assert (root / "ledger.db.damaged-1").stat().st_size == size
        assert_goes_on(root)


def test_there_are_as_many_ways_as_can_be_thought_of():
    assert len(FORGOTTEN) + len(DAMAGED) >= 20


def test_a_log_that_is_gone_takes_the_latest_entries_along(used):
    with copied(used) as root:
        with started(root) as rig:
            rig.step_due()
            drop(root, "late.deck", b"late card\n")
            rig.step_due()
            without_log = data_of(root)
        ledger_of(root).write_bytes(without_log)
        with closing(Ledger(ledger_of(root))) as ledger:
            assert b"late.deck" not in {row.name for row in ledger.rows("done")}
        with started(root) as rig:
            assert b"late.deck" in {row.name for row in rig.ledger.rows("done")}
        assert_contract(root, {**DECKS, "late.deck": b"late card\n"})
        assert_ledger(root)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_a_byte_that_has_changed_in_the_ledger_changes_no_deck(used, place, flip):
    with copied(used) as root:
        data = bytearray(data_of(root))
        at = [at for at, each in enumerate(data) if each]  # most of a ledger is empty
        data[at[int(place * len(at))]] ^= flip
        ledger_of(root).write_bytes(data)
        try:
            assert_goes_on(root)
        except NewerLedgerError:
            told("PRAGMA user_version=1")(root)
            assert_goes_on(root)


def test_damaged_ledgers_are_all_kept(used):
    with copied(used) as root:
        for number in (1, 2, 3):
            ledger_of(root).write_bytes(b"damaged %d\n" % number * 1000)
            Ledger(ledger_of(root)).close()
            kept = root / f"ledger.db.damaged-{number}"
            assert kept.read_bytes() == b"damaged %d\n" % number * 1000


# ---- what cannot be put right by itself


def test_a_ledger_of_a_later_version_is_refused_and_left_as_it_is(used):
    with copied(used) as root:
        told("PRAGMA user_version=99")(root)
        before = data_of(root)
        with pytest.raises(NewerLedgerError, match="later version"):
            Ledger(ledger_of(root))
        with pytest.raises(WorkspaceError, match="use that version, or move the ledger away"):
            open_ledger(Workspace(root))
        assert data_of(root) == before
        assert places(root) == places(used)


def test_a_ledger_that_somebody_else_has_locked_is_waited_for_by_a_new_start(used):
    with copied(used) as root:
        with closing(sqlite3.connect(ledger_of(root))) as other:
            other.execute("PRAGMA locking_mode=EXCLUSIVE")
            other.execute("BEGIN EXCLUSIVE")
            with pytest.raises(RestartError, match="locked; start again"):
                open_ledger(Workspace(root))
        assert_goes_on(root)


def test_something_else_in_its_place_is_refused(used):
    with copied(used) as root:
        ledger_of(root).rename(root / "kept.db")
        ledger_of(root).mkdir()
        with pytest.raises(RestartError, match="start again"):
            open_ledger(Workspace(root))
        ledger_of(root).rmdir()
        assert_goes_on(root)


@contextmanager
def as_nobody(root: Path) -> Iterator[None]:
    """Work without the rights of the superuser, who may write what is read-only."""
    if os.geteuid():
        yield
        return
    nobody = 65534
    for path in (root.parent, root, *root.rglob("*")):
        os.chown(path, nobody, nobody)
    os.seteuid(nobody)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_ledger_that_may_only_be_read_is_put_aside_and_rebuilt(used):
    with copied(used) as root:
        ledger_of(root).chmod(0o444)
        with as_nobody(root):
            assert_goes_on(root)
        assert (root / "ledger.db.damaged-1").exists()


def test_a_ledger_in_a_folder_that_may_only_be_read_is_refused(used):
    with copied(used) as root:
        ledger_of(root).chmod(0o444)
        with as_nobody(root):
            root.chmod(0o555)
            try:
                with pytest.raises(RestartError, match="start again"):
                    open_ledger(Workspace(root))
            finally:
                root.chmod(0o755)
        assert places(root) == places(used)

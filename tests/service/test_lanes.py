"""Masters that runs move on: one at a time, in order, and never past a change from outside."""

from __future__ import annotations

import errno
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from typing_extensions import override

from deckwright.service.operate.verify import verify
from deckwright.service.store.masters import Lanes
from deckwright.service.store.records import Manifest, load
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace
from service.house import chain, house
from service.kit import (
    FIRST_MASTER,
    STOCK,
    Rig,
    StubWorkers,
    assert_contract,
    drop,
    run_all,
    started,
    workspace,
)

# ---- masters


def test_decks_of_one_master_go_into_it_once_each_in_order_whatever_is_tried_again():
    decks = [("1", b"one\n"), ("2", b"!flaky 1\ntwo\n"), ("3", b"!deck\n"), ("4", b"four\n")]
    with workspace(*decks, job=STOCK) as root:
        run_all(root)
        master = (root / "master" / STOCK / "current").read_bytes()
        assert master == FIRST_MASTER + b"one\n!flaky 1\ntwo\nfour\n"
        assert_contract(root, decks, ended=True)


def test_a_run_that_was_held_moves_the_master_on_when_it_is_resumed():
    decks = [("1", b"!flaky 1\n"), ("2", b"two\n"), ("3", b"three\n")]
    with workspace(decks[0], job=STOCK) as root:
        with started(root) as rig:
            rig.step_due()
            (run,) = rig.runs.open
            rig.ask("hold", run)
            rig.step_all()
            drop(root, *decks[1], job=STOCK)
            rig.step_all()
        with started(root) as rig:
            rig.ask("resume", run)
            rig.step_all()
            drop(root, *decks[2], job=STOCK)
            rig.step_all()
        master = (root / "master" / STOCK / "current").read_bytes()
        assert master == FIRST_MASTER + b"two\n!flaky 1\nthree\n"
        assert_contract(root, decks, ended=True)
        assert [found for _, found in verify(Workspace(root)) if found] == []


def test_a_master_that_cannot_be_moved_on_now_is_told_with_its_run(monkeypatch):
    keep = Lanes.roll

    def full(lanes: Lanes, lane: str) -> None:
        if any(lanes.workspace.done.iterdir()):
            raise OSError(errno.ENOSPC, "No space left on device")
        keep(lanes, lane)

    with workspace(("1", b"one\n"), job=STOCK) as root, started(root) as rig:
        with monkeypatch.context() as patch:
            patch.setattr(Lanes, "roll", full)
            rig.step_due()
        (run,) = (path.name for path in (root / "done").iterdir())
        (facts,) = [facts for event, facts in rig.events if event == "master_waits"]
        assert facts == {
            "run": run, "job": STOCK, "deck": "1", "lane": STOCK,
            "error": "No space left on device",
        }  # fmt: skip
        rig.step_all()


@pytest.mark.parametrize("when", ["between starts", "between runs", "while one runs"])
def test_a_master_changed_from_outside_stops_its_runs_until_it_is_put_back(when):
    decks = [("1", b"one\n"), ("2", b"two\n")]
    with workspace(decks[0], job=STOCK) as root:
        master = root / "master" / STOCK / "current"
        rig = Rig(root)
        rig.start()
        rig.step_all()
        right = master.read_bytes()
        assert right == FIRST_MASTER + b"one\n"
        drop(root, *decks[1], job=STOCK)
        if when == "while one runs":
            rig.take()
            rig.runs.start_free(rig.workers)
        master.write_bytes(b"of somebody else\n")
        if when == "between starts":
            rig.close()
            rig = Rig(root)
            rig.start()
        rig.step_all()
        assert STOCK in rig.holds
        assert master.read_bytes() == b"of somebody else\n"
        assert assert_contract(root, decks).waiting == 1
        master.write_bytes(right)
        rig.ask("resume", STOCK)
        rig.step_all()
        rig.close()
        assert assert_contract(root, decks, ended=True).done == 2
        assert master.read_bytes() == FIRST_MASTER + b"one\ntwo\n"


# ---- next masters


@dataclass(slots=True)
class WrongWorkers(StubWorkers):
    """Tells something else of the next master. said: None: nothing."""

    said: dict[str, Any] | None = field(default_factory=dict)

    @override
    def account(self, name: str, master: bytes, deck: bytes) -> dict[str, Any]:
        told = StubWorkers.account(self, name, master, deck)
        return {} if self.said is None else told | self.said


WRONG = {
    "not declared": (None, "no stage of the job declares next.csv the next stock"),
    "of another master": ({"master": "depot"}, "no stage of the job declares"),
    "another delivery": ({"file": "cards.txt"}, "no stage of the job declares"),
    "does not add up": ({"after": 9}, "the account of next.csv does not add up"),
    "of another stand": ({"before": 1, "after": 2}, "begins with 1 records, and stock has 2"),
}


@pytest.mark.parametrize("what", WRONG)
@pytest.mark.parametrize("ledger", ["kept", "lost"])
def test_a_next_master_that_does_not_follow_is_refused_and_the_old_one_stands(what, ledger):
    said, why = WRONG[what]
    decks = [("1", b"one\n"), ("2", b"two\n"), ("3", b"three\n")]
    with workspace(decks[0], job=STOCK) as root:
        run_all(root)
        if ledger == "lost":
            (root / "ledger.db").unlink()
        drop(root, *decks[1], job=STOCK)
        drop(root, *decks[2], job=STOCK)
        with started(root) as rig:
            rig.workers = WrongWorkers(Fs(), said=said)
            rig.step_all()
            assert why in rig.holds.all()[STOCK]
            assert "master/stock/current stays as it is" in rig.holds.all()[STOCK]
            assert (root / "master" / STOCK / "current").read_bytes() == FIRST_MASTER + b"one\n"
            assert assert_contract(root, decks).waiting == 2
            assert rig.ledger.tries_of(next(iter(rig.runs.open))) == []
            rig.workers = StubWorkers(Fs())
            rig.ask("resume", STOCK)
            rig.step_all()
        assert assert_contract(root, decks, ended=True).done == 3
        master = (root / "master" / STOCK / "current").read_bytes()
        assert master == FIRST_MASTER + b"one\ntwo\nthree\n"


def test_an_account_that_begins_with_other_records_than_the_very_first_master_is_refused():
    with workspace(("1", b"one\n"), job=STOCK) as root, started(root) as rig:
        rig.workers = WrongWorkers(Fs(), said={"before": 0, "after": 1, "read": 1})
        rig.step_all()
        assert "begins with 0 records, and stock has 1" in rig.holds.all()[STOCK]
        assert (root / "master" / STOCK / "current").read_bytes() == FIRST_MASTER
        rig.workers = WrongWorkers(Fs(), said={"read": 1})
        rig.ask("resume", STOCK)
        rig.step_all()
        assert (root / "master" / STOCK / "current").read_bytes() == FIRST_MASTER + b"one\n"


def test_a_done_run_keeps_the_account_of_the_master_that_it_left():
    with workspace(("1", b"one\n"), ("2", b"two\nmore\n"), job=STOCK) as root:
        run_all(root)
        steps = sorted(
            (load(Manifest, home / "manifest.json").lane for home in (root / "done").iterdir()),
            key=lambda step: step.number,
        )
        told = [(step.before, step.added, step.deleted, step.after) for step in steps]
        assert told == [(1, 1, 0, 2), (2, 2, 0, 4)]


@pytest.mark.parametrize("end", ["goes on", "killed"])
def test_decks_of_a_job_that_is_resumed_run_with_the_job_as_it_was_put_right(end):
    decks = [("1", b"one\n"), ("2", b"two\n")]
    with workspace(*decks, job=STOCK) as root:
        rig = Rig(root)
        rig.start()
        rig.workers = WrongWorkers(Fs(), said=None)
        rig.step_all()
        right = replace(rig.takings[STOCK], config="f" * 64)
        rig.takings[STOCK] = right
        rig.spool.keep_config("f" * 64, b"")
        rig.workers = StubWorkers(Fs())
        rig.ask("resume", STOCK)
        if end == "killed":
            stale = [row.run for row in rig.ledger.rows("waiting")]
            for path in (root / "control").glob("*.request"):
                rig.operator.serve(path)
            for run in stale:  # as if the ledger had not been reached
                rig.ledger._do("UPDATE runs SET config=? WHERE run=?", ("0" * 64, run))  # noqa: SLF001 # no other way
            rig.close()
            rig = Rig(root)
            rig.takings[STOCK] = right
            rig.start()
        rig.step_all()
        assert {row.config for row in rig.ledger.rows("done")} == {"f" * 64}
        rig.close()
        assert assert_contract(root, decks, ended=True).done == 2
        master = (root / "master" / STOCK / "current").read_bytes()
        assert master == FIRST_MASTER + b"one\ntwo\n"


def test_a_next_master_that_no_stage_declares_is_refused_before_the_first_deck():
    with house() as made:
        lane = made.lane()
        made.settings(lane.replace("next.csv", "cards.csv"))
        made.job("plain", chain(), files={"stock": "../first-master.csv"})
        made.start()
        fault = made.told("job_refused")["fault"]
        made.stop()
        assert fault.startswith("config/service.toml:")
        assert "no stage of the job declares 'cards.csv' the next 'stock'" in fault
        assert "declared: next.csv" in fault
        assert not (made.root / "inbox" / "stock").exists()

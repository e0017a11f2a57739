"""Masters that runs move on: one at a time, in order, and never past a change from outside."""

from __future__ import annotations

import pytest

from deckwright.service.places import Workspace
from deckwright.service.verify import verify
from service.kit import (
    FIRST_MASTER,
    STOCK,
    Rig,
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

"""What a start makes of what it finds in the folders, whatever a kill or a hand has left there."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from deckwright.service.system.places import CLAIM, DECK, MANIFEST
from service.kit import Rig, drop, run_all, started, workspace

A, B = b"card a\n", b"card b\n"


@pytest.fixture
def taken() -> Iterator[Path]:
    """Give a workspace in which a deck was taken and has not been run."""
    with workspace(("a.deck", A)) as root:
        with started(root) as rig:
            assert rig.take() == 1
        yield root


def home_of(root: Path, state: str = "work") -> Path:
    (home,) = (root / state).iterdir()
    return home


def returned_codes(rig: Rig) -> list[str]:
    return [row.code for row in rig.ledger.rows("returned")]


def test_a_deck_that_was_taken_waits_again(taken) -> None:
    with started(taken) as rig:
        assert [row.state for row in rig.ledger.rows("waiting")] == ["waiting"]


def test_what_is_left_among_the_scratch_is_removed_a_link_and_not_its_target(taken) -> None:
    (taken / "tmp" / "folder" / "deep").mkdir(parents=True)
    (taken / "tmp" / "link").symlink_to(taken / "work")
    with started(taken):
        assert [*(taken / "tmp").iterdir()] == []
        assert (home_of(taken) / DECK).read_bytes() == A


def test_a_run_without_its_deck_was_on_its_way_back_and_is_forgotten(taken) -> None:
    (home_of(taken) / DECK).unlink()
    with started(taken) as rig:
        assert rig.ledger.counts().get("waiting", 0) == 0
        assert [*(taken / "work").iterdir()] == []


@pytest.mark.parametrize("spoil", ["no claim", "no record", "claim of another run", "other bytes"])
def test_a_deck_that_is_not_what_was_claimed_comes_back_as_damaged(taken, spoil) -> None:
    home = home_of(taken)
    if spoil == "no claim":
        (home / CLAIM).unlink()
    elif spoil == "no record":
        (home / CLAIM).write_bytes(b"{}")
    elif spoil == "other bytes":
        (home / DECK).write_bytes(b"card x\n")
    else:
        home = home.rename(home.with_name(home.name[:-1] + "2"))
    data = (home / DECK).read_bytes()
    with started(taken) as rig:
        assert returned_codes(rig) == ["damaged"]
        assert rig.ledger.counts().get("waiting", 0) == 0
    back = taken / "returned" / home.name
    assert (back / DECK).read_bytes() == data
    assert "compare it with its source" in (back / "reasons.txt").read_text("utf-8")


def test_a_deck_that_grew_goes_back_to_the_inbox_or_comes_back_where_its_name_is_taken(
    taken,
) -> None:
    with (home_of(taken) / DECK).open("ab") as file:
        file.write(B)
    again = home_of(taken).name
    kept = taken / "kept"
    shutil.copytree(home_of(taken), kept)
    with started(taken) as rig:
        assert rig.ledger.counts().get("waiting", 0) == 0
    assert (taken / "inbox" / "cards" / "a.deck").read_bytes() == A + B
    kept.rename(taken / "work" / again)
    with started(taken) as rig:
        assert returned_codes(rig) == ["late-bytes"]
    assert (taken / "inbox" / "cards" / "a.deck").read_bytes() == A + B
    assert (taken / "returned" / again / DECK).read_bytes() == A + B


def test_an_ended_run_whose_record_cannot_be_read_is_a_problem_and_stops_nothing(taken) -> None:
    run_all(taken)
    (home_of(taken, "done") / MANIFEST).write_bytes(b"{}")
    (taken / "ledger.db").unlink()
    drop(taken, "b.deck", B)
    rig = Rig(taken)
    try:
        found = rig.start()
        assert [each.partition(":")[0] for each in found.problems] == [
            f"done/{home_of(taken, 'done').name}"
        ]
        rig.step_all()
        assert len(rig.ledger.rows("done")) == 1
    finally:
        rig.close()


@pytest.mark.parametrize("state", ["done", "returned"])
def test_an_end_that_the_ledger_missed_is_to_be_told_and_one_of_a_lost_ledger_is_not(state) -> None:
    """A kill between a deck's last move and its entry leaves the end untold."""
    with workspace(("a.deck", A if state == "done" else b"!deck\n")) as root:
        run_all(root)
        run = home_of(root, state).name
        with started(root) as rig:
            assert rig.ledger.rows(state)[0].run == run
            rig.ledger._do("UPDATE runs SET state='running' WHERE run=?", (run,))  # noqa: SLF001 # as the kill leaves it
        rig = Rig(root)
        try:
            found = rig.start()
            assert [each.run for each in (*found.done, *found.returned)] == [run]
            assert [row.run for row in rig.ledger.rows(state)] == [run]
        finally:
            rig.close()
        (root / "ledger.db").unlink()
        rig = Rig(root)
        try:
            found = rig.start()
            assert [*found.done, *found.returned] == []
            assert [row.run for row in rig.ledger.rows(state)] == [run]
        finally:
            rig.close()

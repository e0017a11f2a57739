"""A disk that is nearly full: nothing is written for a run that has no room, and little is said."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from pathlib import Path

import pytest
from typing_extensions import override

from deckwright.service.outward.state import State, read_state, write_state
from deckwright.service.runs.room import LONGEST_WAIT_S, ROOM_WAIT_S, waits_of
from deckwright.service.store.ledger import Ledger
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace
from service.kit import Rig, assert_contract, drop, lay_out, quick_room

HOUR = 3600.0


@pytest.fixture
def root() -> Iterator[Path]:
    with quick_room() as room:
        lay_out(room / "workspace")
        yield room / "workspace"


def an_hour(rig: Rig) -> None:
    """Let an hour pass, second by second."""
    until = rig.clock.time + HOUR
    while rig.clock.time < until:
        rig.round()
        rig.advance(1.0)


def changes(ledger: Ledger) -> int:
    """Return how many rows were ever changed through this connection."""
    return ledger._db.total_changes  # noqa: SLF001 # what is on the disk says nothing of it


def test_for_a_deck_without_room_nothing_is_written_and_a_line_a_minute_told(root):
    drop(root, "a", b"x" * 1000 + b"\n")
    rig = Rig(root)
    rig.start()
    rig.runs.room.free = lambda _: 3000
    rig.take()
    before = changes(rig.ledger)
    an_hour(rig)
    assert changes(rig.ledger) == before
    assert rig.told("run_started") == []
    assert 55 <= len(rig.told("no_room")) <= 61
    assert "a cannot be run now: 0.0 MiB are free" in waits_of(list(rig.runs.open.values()))
    rig.runs.room.free = lambda _: 1 << 30
    rig.step_all()
    assert waits_of(list(rig.runs.open.values())) == ""
    rig.close()
    assert assert_contract(root, [("a", b"x" * 1000 + b"\n")], ended=True).done == 1


def test_runs_that_find_no_room_are_tried_at_growing_times_and_at_once_when_there_is_some(root):
    drop(root, "a", b"!room\n")
    rig = Rig(root)
    rig.start()
    rig.runs.room.free = lambda _: 1 << 20
    an_hour(rig)
    tried = len(rig.told("run_started"))
    assert 8 <= tried <= 7 + HOUR / LONGEST_WAIT_S + 1
    assert len(rig.told("no_room")) <= 60
    rig.runs.room.free = lambda _: 8 << 20
    rig.advance(ROOM_WAIT_S)
    rig.round()
    assert len(rig.told("run_started")) == tried + 1
    rig.close()


def test_a_smaller_deck_goes_before_one_for_which_there_is_no_room(root):
    drop(root, "a", b"x" * 1000 + b"\n")
    drop(root, "b", b"x\n")
    rig = Rig(root)
    rig.start()
    rig.runs.room.free = lambda _: 3000
    an_hour(rig)
    rig.close()
    tally = assert_contract(root, [("a", b"x" * 1000 + b"\n"), ("b", b"x\n")])
    assert (tally.done, tally.waiting) == (1, 1)


def test_why_a_worker_could_not_start_is_said_and_is_not_called_room(root):
    drop(root, "a", b"a\n")
    rig = Rig(root)
    rig.start()
    rig.take()
    rig.runs.start_free(rig.workers)
    (ended,) = rig.workers.poll()
    said = "a worker process could not take the order: signal SIGKILL"
    rig.runs.end(ended.model_copy(update={"outcome": "no-room", "code": "worker-start",
                                          "sentence": said}))  # fmt: skip
    assert rig.told("no_room") == []
    assert rig.told("run_waits")[0]["error"] == said
    rig.close()


def test_the_log_of_the_ledger_stays_small_however_much_is_entered(root):
    ledger = Ledger(root / "ledger.db")
    log = root / "ledger.db-wal"
    most = 0
    for number in range(2000):
        ledger.begin_try(f"{number:016x}-000000-1", "now")
        most = max(most, log.stat().st_size)
    ledger.close()
    assert most <= 1 << 20


class FullFs(Fs):
    """A disk on which so many bytes are left, and what was kept for need."""

    left = 0

    @override
    def write_hint(self, path: Path, data: bytes) -> None:
        if len(data) > self.left:
            raise OSError(errno.ENOSPC, "No space left on device")
        super().write_hint(path, data)

    @override
    def unlink(self, path: Path) -> None:
        self.left += path.stat().st_size
        super().unlink(path)


def test_on_a_full_disk_it_can_still_be_told_what_is_the_matter(root):
    workspace, fs = Workspace(root), FullFs()
    fs.left = 1 << 20
    write_state(workspace, fs, State(process=1, at="now"))
    fs.left = 0
    write_state(workspace, fs, State(process=1, at="later", health=["no room"] * 500))
    told = read_state(workspace)
    assert told is not None
    assert told.at == "later"
    fs.left = -(1 << 30)
    with pytest.raises(OSError, match="No space"):
        write_state(workspace, fs, State(process=1, at="too late"))

"""Processes of the pool: which run serves which, when one is replaced, and how they end."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from deckwright.service.workers.messages import Progress
from deckwright.service.workers.pool import Pool
from service.pool_kit import LEAVES
from service.workplace import (
    PATIENCE_S,
    Workplace,
    alive,
    inherited,
)
from sets import first_line


@pytest.fixture(scope="module")
def cards(pool_cards) -> bytes:
    return pool_cards


@pytest.fixture(scope="module")
def place(pool_place) -> Workplace:
    """Return a workspace with a good job, its twin, and one for each bad plugin."""
    return pool_place


@pytest.mark.slow
def test_a_process_that_a_run_left_changed_serves_no_other(place, cards) -> None:
    with place.pool(workers=1) as hand:
        seen: list[int] = []
        for what in LEAVES:
            order = place.order(f"leaves-{what.replace(' ', '-')}", cards)
            hand.start(order)
            seen += hand.pool.processes()
            assert hand.ends([order])[0].outcome == "done"
            assert seen[-1] not in hand.pool.processes(), what
        assert len(set(seen)) == len(LEAVES)


def test_a_process_goes_on_with_the_config_it_has_and_with_others_that_are_as_plain(
    place, cards
) -> None:
    with place.pool(workers=1) as hand:

        def process_of(job: str) -> set[int]:
            order = place.order(job, cards)
            hand.start(order)
            (used,) = hand.pool.processes()
            assert hand.ends([order])[0].outcome == "done"
            return {used}

        good = process_of("good")
        assert process_of("good") == good
        twin = process_of("twin")  # not known to be plain before its first run
        assert twin != good
        assert process_of("twin") == process_of("good") == process_of("twin") == twin
        bad = process_of("prints_much")
        assert process_of("prints_much") == bad != twin
        after = process_of("good")
        assert after not in (bad, twin)


def test_a_process_is_replaced_after_so_many_runs(place, cards) -> None:
    with place.pool(workers=1, limits={"runs_a_worker": 2}) as hand:
        seen = []
        for _ in range(4):
            order = place.order("good", cards)
            hand.start(order)
            seen += hand.pool.processes()
            hand.ends([order])
        assert seen[0::2] == seen[1::2]
        assert len(set(seen)) == 2


@pytest.mark.slow
def test_after_a_refresh_no_process_serves_again(place, cards) -> None:
    with place.pool() as hand:
        hand.run("good", cards)
        order = place.order("good", cards)
        hand.start(order)
        hand.pool.warm()
        before = set(hand.pool.processes())
        assert len(before) == 2
        hand.pool.refresh()
        assert hand.ends([order])[0].outcome == "done"
        orders = [place.order("good", cards) for _ in range(2)]
        for order in orders:
            hand.start(order)
        assert before.isdisjoint(hand.pool.processes())
        assert {each.outcome for each in hand.ends(orders)} == {"done"}


def test_an_order_that_is_longer_than_a_pipe_takes_is_handed_over_bit_by_bit(place, cards) -> None:
    files = {f"file{number}": "/" + "x" * 4000 for number in range(100)}
    with place.pool(workers=1) as hand:
        ended = hand.run("good", cards, files=files)
        assert (ended.outcome, ended.code) == ("job", "config")
        assert hand.run("good", cards).outcome == "done"


def test_large_decks_have_a_process_of_their_own_that_yields(place, cards) -> None:
    with place.pool(workers=1) as hand:
        small, large = place.order("good", cards), place.order("good", cards)
        hand.start(small)
        assert not hand.pool.free(large=False)
        assert hand.pool.free(large=True)
        hand.start(large, large=True)
        assert not hand.pool.free(large=True)
        first, second = hand.pool.processes()
        assert [each.outcome for each in hand.ends([small, large])] == ["done", "done"]
        small_yields, large_yields = (os.getpriority(os.PRIO_PROCESS, p) for p in (first, second))
        # nobody yields by more than 19, and the tests themselves may yield already
        assert large_yields == min(19, small_yields + 10)


def test_the_limits_of_a_worker_are_those_of_the_service_file(place, cards) -> None:
    limits = {"memory": "1 GiB", "file": "2 GiB", "open_files": 100}
    with place.pool(workers=1, limits=limits) as hand:
        assert hand.run("good", cards, cpu_s=50).outcome == "done"
        (pid,) = hand.pool.processes()
        rows = Path(f"/proc/{pid}/limits").read_text().splitlines()
        soft = {row[:26].strip(): row[26:].split()[0] for row in rows}
        assert soft["Max address space"] == str((1 << 30) + (512 << 20))
        assert soft["Max file size"] == str(2 << 30)
        assert soft["Max open files"] == "100"
        assert soft["Max core file size"] == "0"
        assert 50 <= int(soft["Max cpu time"]) < 60
        own = int(Path("/proc/self/oom_score_adj").read_text())
        assert int(Path(f"/proc/{pid}/oom_score_adj").read_text()) == min(1000, own + 500)
        assert inherited(pid)["POLARS_MAX_THREADS"] == "1"
        assert "PYTEST_CURRENT_TEST" not in inherited(pid)
        assert os.getsid(pid) == pid


def test_a_run_that_uses_too_much_processor_time_is_late(place, cards) -> None:
    with place.pool(workers=1) as hand:
        ended = hand.run("loops", cards, cpu_s=1)
        assert (ended.outcome, ended.code) == ("late", "cpu-limit")


@pytest.mark.parametrize("job", ["loops", "sleeps"])
def test_a_stop_ends_every_run_as_stopped_and_every_process(job, place, cards) -> None:
    with place.pool() as hand:
        hand.run("good", cards)
        orders = [place.order(job, cards), place.order(job, cards)]
        for order in orders:
            hand.start(order)
        processes = hand.pool.processes()
        ended = hand.pool.stop(1)
        assert sorted(each.run for each in ended) == sorted(order.run for order in orders)
        assert {each.outcome for each in ended} == {"stopped"}
        assert not any(map(alive, processes))
        assert not hand.pool.free(large=False)


@pytest.mark.parametrize("share", first_line([0.0, 0.3, 0.6, 0.9], 0.3))
def test_a_stop_at_any_moment_ends_each_run_once(share, place, cards) -> None:
    with place.pool() as hand:
        hand.run("good", cards)
        begun = time.monotonic()
        hand.run("good", cards * 200)
        took = time.monotonic() - begun
        orders = [place.order("good", cards * 200) for _ in range(2)]
        for order in orders:
            hand.start(order)
        time.sleep(share * took)
        ended = hand.pool.stop(20)
        assert sorted(each.run for each in ended) == sorted(order.run for order in orders)
        assert {each.outcome for each in ended} <= {"stopped", "done"}
        for each in ended:
            home = place.workspace.work / each.run
            left = {path.name for path in home.iterdir()}
            # what a cut-off attempt leaves under a dot the spool throws away
            assert {name for name in left if not name.startswith(".out.1.")} - {"out.1"} == {"deck"}
            assert each.outcome != "done" or "out.1" in left


@pytest.mark.slow
def test_a_process_that_is_killed_while_it_rests_is_replaced(place, cards) -> None:
    with place.pool(workers=1) as hand:
        hand.run("good", cards)
        (pid,) = hand.pool.processes()
        os.kill(pid, signal.SIGKILL)
        assert hand.run("good", cards).outcome in {"done", "died"}
        assert hand.run("good", cards).outcome == "done"
        assert hand.pool.processes() != [pid]


def test_workers_that_cannot_start_cost_no_try(place, cards, monkeypatch) -> None:
    monkeypatch.setattr(
        "deckwright.service.workers.process._COMMAND", (sys.executable, "-c", "1/0")
    )
    with place.pool(workers=1) as hand:
        ended = hand.run("good", cards)
        assert (ended.outcome, ended.code) == ("no-room", "worker-start")
        assert "exit code 1" in ended.sentence
    monkeypatch.setattr("deckwright.service.workers.process._COMMAND", ("/no/such/program",))
    with place.pool(workers=1) as hand:
        ended = hand.run("good", cards)
        assert (ended.outcome, ended.code) == ("no-room", "no-process")


SCRIPT = """
import os, sys
from pathlib import Path
from deckwright.jobs.service import ServiceSpec
from deckwright.service.system.clock import Clock
from deckwright.service.workers.messages import RunOrder
from deckwright.service.system.places import Workspace
from deckwright.service.workers.pool import Pool
import fcntl, select

order = RunOrder.model_validate_json(sys.argv[2])
lock = os.open(sys.argv[3], os.O_RDWR | os.O_CREAT)
fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
pool = Pool(ServiceSpec(workers=1), Workspace(Path(sys.argv[1])), lock, Clock())
pool.warm()
while not pool._slots[0].process.ready:
    select.select(pool.descriptors(), [], [], 1)
    pool.poll()
pool.start(order, large=False, seconds=600, config=Path(order.snapshot).stem)
print(*pool.processes(), flush=True)
while True:
    select.select(pool.descriptors(), [], [], 1)
    pool.poll()
"""


def is_free(lock: Path) -> bool:
    """Tell whether nobody holds a lock."""
    with lock.open() as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
    return True


def test_a_worker_ends_with_its_service_and_holds_the_lock_until_then(place, cards) -> None:
    order, lock = place.order("sleeps", cards), place.root / "lock"
    command = [sys.executable, "-c", SCRIPT, str(place.root), order.model_dump_json(), str(lock)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as service:  # noqa: S603
        try:
            assert service.stdout is not None
            (pid,) = map(int, service.stdout.readline().split())
            assert alive(pid)
            held = []
            for each in Path(f"/proc/{pid}/fd").iterdir():
                with contextlib.suppress(FileNotFoundError):  # it closed that one meanwhile
                    held.append(os.readlink(each))  # noqa: PTH115
            assert str(lock) in held
        finally:
            service.kill()
            for path in place.workspace.tmp.iterdir():  # the next service clears this up
                shutil.rmtree(path, ignore_errors=True)
    end = time.monotonic() + PATIENCE_S
    while alive(pid) or not is_free(lock):
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_run_on_its_way_tells_how_far_it_is(place, cards) -> None:
    with place.pool(workers=1) as hand:
        ended = hand.run("good", cards * 20_000)
        assert ended.outcome == "done"
        assert ended.counts == {
            "in": 1_000_000, "added": 0, "out": 1_000_000, "returned": 0, "set_aside": 0,
        }  # fmt: skip
        told = [each for each in hand.said if isinstance(each, Progress)]
        assert told or ended.seconds < 2  # it is told about twice a second
        assert all(each.total == 1_000_000 and each.run == ended.run for each in told)


def test_the_service_side_of_workers_loads_no_heavy_library() -> None:
    code = "import sys, json, deckwright.service.workers.pool, deckwright.service.daemon; "
    code += "print(json.dumps(sorted(sys.modules)))"
    command = [sys.executable, "-I", "-c", code]
    loaded = subprocess.run(command, capture_output=True, check=True).stdout  # noqa: S603
    assert {"numpy", "polars", "deckwright.engine"}.isdisjoint(json.loads(loaded))


def test_an_order_to_a_full_pool_is_refused(place, cards) -> None:
    with place.pool(workers=1) as hand:
        order = place.order("good", cards)
        hand.start(order)
        with pytest.raises(RuntimeError):
            hand.pool.start(order, large=False, seconds=1, config="0" * 64)
        hand.ends([order])
        assert isinstance(hand.pool, Pool)

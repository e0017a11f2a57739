"""One service at a time in a workspace: the second is told so, and an orphan counts as one."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from service.house import (
    COMMAND,
    PATIENCE_S,
    PLAIN,
    House,
    card,
    cards_of,
    deck,
    house,
    run_of,
    wait_until,
)
from service.workplace import alive
from sets import sizes

STARTED = 6
"""Pairs of services that are started together."""


@contextmanager
def two(made: House) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Start two services of one workspace at the same time; end what is left of them."""
    command = [*COMMAND, "watch", str(made.root)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    pair = [subprocess.Popen(command, **pipes) for _ in range(2)]  # noqa: S603 # our own command
    try:
        yield pair
    finally:
        for process in pair:
            process.terminate()
            process.wait(PATIENCE_S)
            process.stdout.close()
            process.stderr.close()


def loser_of(pair: list[subprocess.Popen[bytes]]) -> tuple[subprocess.Popen[bytes], int]:
    """Wait for the service that is refused; return it, and the number of the other one."""
    wait_until(lambda: any(process.poll() is not None for process in pair))
    lost = next(process for process in pair if process.poll() is not None)
    return lost, next(process.pid for process in pair if process is not lost)


@pytest.mark.parametrize("pairs", sizes(slow=STARTED, long=100))
def test_of_two_that_are_started_together_one_works_and_the_other_names_it(pairs) -> None:
    with house(workers=1) as made:
        for path in (made.root / "config" / "jobs").iterdir():
            path.unlink()  # nothing to compile: only the start counts here
        for _ in range(pairs):
            with two(made) as pair:
                lost, holder = loser_of(pair)
                said = lost.stderr.read().decode()
                assert (lost.returncode, lost.stdout.read()) == (75, b"")
                assert f"is held by process {holder} on " in said
                won = next(process for process in pair if process is not lost)
                ready = wait_until(won.stdout.readline)
                while b"service_ready" not in ready:
                    ready = won.stdout.readline()
                    assert ready, won.stderr.read()
                won.terminate()
                assert won.wait(PATIENCE_S) == 0, won.stderr.read()


@pytest.mark.slow
def test_with_two_started_together_each_deck_is_run_once() -> None:
    with house() as made:
        runs = made.drop_all({f"{n}.txt": cards_of(n) for n in range(8)})
        with two(made) as pair:
            loser_of(pair)
            for run in runs:
                made.done(run)
        assert made.check(ended=True).done == 8
        assert len(list((made.root / "done").iterdir())) == 8


def test_a_second_service_touches_nothing() -> None:
    with house() as made, made.serving():
        made.done(made.drop("a.txt", cards_of(1)))
        wanted = deck(card(3))
        (made.root / "control" / "0123456789abcdef.answer").write_bytes(b"for somebody")
        half = made.root / "tmp" / "half"
        half.write_bytes(wanted)
        before = made.workspace.lock.read_bytes()
        code, _, err = made.call("watch", made.root)
        assert code == 75
        assert f"process {made.process.pid} on " in err
        assert half.read_bytes() == wanted
        assert (made.root / "control" / "0123456789abcdef.answer").exists()
        assert made.workspace.lock.read_bytes() == before


def workers_of(pid: int) -> list[int]:
    """Return the processes below a process."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(path.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if parent == pid:
            found.append(int(path.parent.name))
    return found


def test_workers_end_with_a_killed_service_and_the_next_one_works() -> None:
    with house() as made:
        made.gated("slow")
        made.start()
        run = made.drop("slow.txt", cards_of(1), "slow")
        made.at_gate("slow")
        workers = workers_of(made.process.pid)
        assert workers
        made.kill()
        assert made.state(run) == "work"
        wait_until(lambda: not any(map(alive, workers)))
        made.open_gate("slow")
        with made.serving():
            assert made.told("recovered")["resumed"] == [run]
            made.done(run)
        assert made.check(ended=True).done == 1


@pytest.mark.slow
def test_while_a_worker_of_a_killed_service_lives_no_other_service_starts() -> None:
    with house() as made:
        made.gated("slow", orphan=True)
        made.start()
        run = made.drop("slow.txt", cards_of(1), "slow")
        made.at_gate("slow")
        orphan = int(next(made.gates.glob("slow.at-*")).name.split("-")[1])
        held_by = made.process.pid
        made.signal(signal.SIGKILL)
        made.ended()
        try:
            assert alive(orphan)
            code, _, err = made.say("watch", made.root)
            assert code == 75
            assert f"is held by process {held_by} on " in err
            assert made.state(run) == "work"
        finally:
            made.open_gate("slow")
            wait_until(lambda: not alive(orphan))
        made.once()
        assert made.check(ended=True).done == 1


def test_whoever_holds_a_workspace_keeps_the_service_out_and_is_named() -> None:
    with house() as made:
        made.workspace.lock.write_text("process 7 on elsewhere\n")
        folder = os.open(made.root, os.O_RDONLY)
        try:
            fcntl.flock(folder, fcntl.LOCK_EX)
            code, _, err = made.say("watch", made.root)
            assert code == 75
            assert "is held by process 7 on elsewhere" in err
            assert (made.status()["service"], made.status()["exit_code"]) == ("starting", 0)
            os.utime(made.workspace.lock, (1, 1))
            assert made.status()["exit_code"] == 13
        finally:
            os.close(folder)
        assert made.status()["service"] == "not running"


@pytest.mark.slow
def test_whoever_deletes_the_lock_file_lets_no_second_service_in() -> None:
    with house() as made, made.serving():
        made.workspace.lock.unlink()
        code, _, err = made.call("watch", made.root)
        assert (code, "is held by another" in err) == (75, True)
        made.done(made.drop("a.txt", cards_of(1)))
        assert made.status()["service"] == "running"


PLACES = ("inbox", "work", "hold", "done", "returned", "master", "control", "tmp")
TRY = """
import json, os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from service.house import House
root, said = Path(sys.argv[1]), []
for place in sys.argv[3:]:
    for mode in (0o500, 0o300, 0o000):
        (root / place).chmod(mode)
        said.append([place, *House.say("watch", root)])
        (root / place).chmod(0o750)
print(json.dumps(said))
"""


def test_a_workspace_that_may_not_be_written_or_read_is_refused_in_one_sentence() -> None:
    with house() as made:
        tests = str(Path(__file__).parents[1])
        command = [*PLAIN, sys.executable, "-c", TRY, str(made.root), tests, *PLACES]
        done = subprocess.run(  # noqa: S603 # our own command
            command, capture_output=True, check=True, timeout=PATIENCE_S
        )
        said = json.loads(done.stdout)
        assert len(said) == 3 * len(PLACES)
        for place, code, out, err in said:
            assert (code, out) == (78, "")
            assert err == (
                f"deckwright: {made.root / place} may not be written by this user;"
                " give it to the user of the service\n"
            )


@pytest.mark.slow
def test_a_workspace_whose_own_folder_may_not_be_written_is_refused() -> None:
    with house() as made:
        made.plain = True
        made.root.chmod(0o500)
        try:
            code, _, err = made.call("watch", made.root)
        finally:
            made.root.chmod(0o750)
        assert code == 78
        assert f"{made.root} cannot be used: permission denied" in err
        made.once()


# ---- rights that go away while it runs


@pytest.fixture(scope="module")
def plain():
    """Give a house whose service has no more rights than the modes of files give."""
    with house(10) as made:
        made.settings(settle_s=1, scan_s=4)
        made.plain = True
        made.job("other")
        with made.serving():
            yield made
        made.check(ended=True)


def test_a_deck_that_may_not_be_read_stays_and_is_told_once_and_others_go_on(plain) -> None:
    data = cards_of(1)
    aside = plain.root / "inbox" / "cards" / ".closed.txt"
    aside.write_bytes(data)
    aside.chmod(0o200)
    aside.rename(aside.with_name("closed.txt"))
    plain.dropped.append(("closed.txt", data))
    plain.told("stray_seen", place="cards/closed.txt", why="may not be read by the service")
    for number in range(2, 4):
        plain.done(plain.drop(f"open-{number}.txt", cards_of(number)))
    assert len(plain.events("stray_seen", place="cards/closed.txt")) == 1
    aside.with_name("closed.txt").chmod(0o600)
    plain.done(run_of("closed.txt", data))


def test_decks_stay_while_their_folder_may_not_be_written_and_come_afterwards(plain) -> None:
    folder = plain.root / "inbox" / "cards"
    data = cards_of(11)
    run = plain.drop("shut.txt", data)
    folder.chmod(0o500)
    try:
        plain.told("stray_seen", place="cards/shut.txt", why="cannot be taken: permission denied")
        assert (folder / "shut.txt").read_bytes() == data
        plain.done(plain.drop("elsewhere.txt", cards_of(12), "other"))
    finally:
        folder.chmod(0o750)
    plain.done(run)


@pytest.mark.parametrize("place", ["done", "returned", "work"])
def test_what_cannot_be_put_away_waits_and_is_put_away_later(place, plain) -> None:
    folder = plain.root / place
    number = 20 + len(place)
    data = "ß\n".encode("utf-16") * number if place == "returned" else cards_of(number)
    folder.chmod(0o500)
    try:
        run = plain.drop(f"{place}.txt", data)
        plain.wait(
            lambda: (
                plain.events("no_room", run=run)
                or plain.events("stray_seen", place=f"cards/{place}.txt")
            ),
            "a word that it cannot go on",
        )
        assert plain.state(run) in {"", "work"}
    finally:
        folder.chmod(0o750)
    plain.end_of(run)
    assert plain.state(run) == ("returned" if place == "returned" else "done")
    if place == "done":
        assert plain.manifest(run).counts["in"] == 2

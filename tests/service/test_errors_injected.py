"""Steps that fail, once or for long: nothing is lost, and all goes on when the trouble is over."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from service import trouble
from service.contract import assert_contract, assert_ledger, outcome_of
from service.faults import Fault
from service.kit import quick_room
from service.scenarios import STORIES, drive
from service.trouble import Endured, FailingFs, endure, prepared
from sets import first_line

CODES = ("ENOSPC", "EDQUOT", "EIO", "EACCES", "EROFS", "EMFILE")
FULL = ("ENOSPC", "EDQUOT")
"""What a full disk says."""

SOME_STORIES = ("plain", "returned", "retry", "master")
"""Stories of which every step fails in turn."""

ONE_STEP = [name for name, story in STORIES.items() if len(story.steps) == 1]


# ---- any step


@dataclass(frozen=True, slots=True)
class Whole:
    """A story without trouble. begun: steps of its start."""

    steps: int
    begun: int
    tries: dict[str, int]
    outcome: dict[str, str]


@cache
def whole(story: str) -> Whole:
    with quick_room() as room:
        root, fs = room / "workspace", FailingFs()
        prepared(root, story)
        told = endure(root, fs, lambda _: False, lambda: None)
        return Whole(fs.steps, told.begun, told.tries, ending(story, root))


def ending(story: str, root: Path) -> dict[str, str]:
    """Return what a story has brought about, without what may differ."""
    found = outcome_of(root)
    vary = STORIES[story].tries_vary
    return {name: data for name, data in found.items() if not (vary and "/reasons." in name)}


def fault_with(story: str, fault: str) -> str:
    """Let steps of a story fail, then no more; return what is wrong then, empty for nothing."""
    fs = FailingFs(Fault.read(fault))
    with quick_room() as room:
        root = room / "workspace"
        prepared(root, story)

        def heal(times: int) -> bool:
            if fs.fault and not fs.fault.lasting:
                fs.fault = None
            if times:  # what lasts outlasts one start
                fs.fault = None
            return fs.fault is not None

        try:
            told = endure(root, fs, heal, lambda: assert_contract(root, STORIES[story].dropped(1)))
            check(story, root, fs, told)
        except AssertionError as error:
            return f"{fault}: {fs.hit}: {str(error).replace(str(room), '')}"
    return ""


def check(story: str, root: Path, fs: FailingFs, told: Endured) -> None:
    """Fail unless a story has ended as it should, and the service behaved on the way."""
    assert fs.hit, "no such step"
    assert fs.again == [], "flushed again after a failure"
    master = STORIES[story].master
    assert not master or (root / "master" / "stock" / "current").read_bytes() == master
    drive(root, STORIES[story])  # a later start clears away what could not be removed
    tally = assert_contract(root, STORIES[story].dropped(1), ended=True)
    assert (tally.done, tally.returned) == STORIES[story].ended
    assert_ledger(root)
    odd = set(ending(story, root).items()) ^ set(whole(story).outcome.items())
    assert not odd, f"differs: {sorted(odd)[:4]}"
    if told.starts == 1:
        assert told.tries == whole(story).tries, "a try was counted"


def assert_well(faults: Iterable[str]) -> None:
    bad = [fault for fault in faults if fault]
    assert not bad, f"{len(bad)} bad, such as {bad[:3]}"


def once_and_for_long(story: str, codes: int = 1) -> list[str]:
    """Return faults for every step of a story, each with so many codes, which take turns."""
    return [
        f"err:{step}{lasting}:{CODES[(step + turn + 3 * bool(lasting)) % len(CODES)]}"
        for step in range(1, whole(story).steps + 1)
        for lasting in ("", "+")
        for turn in range(codes)
    ]


@pytest.mark.slow
@pytest.mark.parametrize("story", first_line(SOME_STORIES, "plain"))
def test_whichever_step_fails_all_ends_well_when_it_fails_no_more(story, counts):
    faults = once_and_for_long(story)
    counts(faults=len(faults))
    assert len(faults) > 2 * 80
    assert {fault.rpartition(":")[2] for fault in faults} == {*CODES}
    assert_well(fault_with(story, fault) for fault in faults)


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("story", ONE_STEP)
def test_whichever_step_fails_in_whichever_way_all_ends_well(story, counts):
    faults = once_and_for_long(story, len(CODES))
    counts(faults=len(faults))
    assert len(faults) > 12 * 80
    assert_well(fault_with(story, fault) for fault in faults)


@pytest.mark.slow
def test_a_file_that_cannot_be_written_for_lack_of_room_needs_no_new_start(counts):
    tried = 0
    for step in range(whole("master").begun + 1, whole("master").steps + 1):
        with quick_room() as room:
            root, fs = room / "workspace", FailingFs(Fault("err", step, FULL[step % 2]))
            prepared(root, "master")
            told = endure(root, fs, lambda _: False, lambda: None)
            if fs.hit.split()[0] not in {"ledger", "sync_folder", "flush"}:
                assert (told.starts, told.tries) == (1, whole("master").tries), fs.hit
                tried += 1
    counts(steps=tried)
    assert tried > 40


# ---- any system call


CALLS = ("fsync", "fdatasync", "write", "renameat2", "rename", "mkdir")
"""Calls that fail under a tracer, as this system names them."""

_AT_ONCE = 2
_LINE = re.compile(r"(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_FLUSHED = re.compile(r"\d+<(.*)>$")


@cache
def why_not() -> str:
    """Return why no process can be traced here, empty when one can."""
    if shutil.which("strace") is None:
        return "strace is not installed"
    command = ["strace", "-f", "-o", "/dev/null", "-e", "inject=fsync:error=EIO:when=1", "true"]
    done = subprocess.run(command, capture_output=True, check=False, text=True)  # noqa: S603 # fixed
    return f"strace cannot trace here: {done.stderr.strip()[:200]}" if done.returncode else ""


@pytest.fixture
def tracer() -> None:
    if why_not():
        pytest.skip(why_not())


def traced(story: str, root: Path, log: Path, *options: str) -> int:
    """Serve a story under strace for a while; return how the service ended."""
    prepared(root, story)
    done = subprocess.run(  # noqa: S603 # this project's own
        ["strace", "-f", "-y", "-o", log, f"-etrace={','.join((*CALLS, 'openat'))}", *options,  # noqa: S607 # wherever it is
         sys.executable, "-B", trouble.__file__, "story", root, story],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True, check=False, text=True,
    )  # fmt: skip
    assert done.returncode in {0, 75}, done.stderr
    return done.returncode


@cache
def calls_of(story: str) -> list[tuple[str, int]]:
    """Return every call of a story: its name, and the how-manieth of this name it is."""
    with quick_room() as room:
        assert traced(story, room / "workspace", room / "log") == 0
        made = [found[1] for found in map(_LINE.match, lines_of(room / "log")) if found]
    return [(call, n) for call in CALLS for n in range(1, made.count(call) + 1)]


def lines_of(log: Path) -> list[str]:
    return log.read_text(errors="replace").splitlines()


def fault_at(story: str, call: str, when: str) -> str:
    """Let a call fail, then serve the story to its end; return what is wrong then."""
    with quick_room() as room:
        root, log = room / "workspace", room / "log"
        try:
            traced(story, root, log, f"-einject={call}:error=EIO:when={when}")
            assert "(INJECTED)" in log.read_text(errors="replace"), "no such call"
            assert flushed_again(lines_of(log)) == []
            assert_contract(root, STORIES[story].dropped(1))
            drive(root, STORIES[story])
            tally = assert_contract(root, STORIES[story].dropped(1), ended=True)
            assert (tally.done, tally.returned) == STORIES[story].ended
            assert_ledger(root)
            odd = set(ending(story, root).items()) ^ set(whole(story).outcome.items())
            assert not odd, f"differs: {sorted(odd)[:4]}"
        except AssertionError as error:
            return f"{call} {when}: {str(error).replace(str(room), '')}"
    return ""


def flushed_again(lines: list[str]) -> list[str]:
    """Return files that were flushed again after a failure, without having been made anew.

    The ledger is none of them: it can be thrown away. Nor is a deck in the inbox, nor a folder
    that is there for good or as long as a deck is in it: a new start flushes it again.
    """
    failed, again = set[str](), list[str]()
    for call, given, result in (found.groups() for found in map(_LINE.match, lines) if found):
        if call == "mkdir" or "O_EXCL" in given:
            failed -= {each for each in failed if f'"{each}"' in given}
        if call in {"fsync", "fdatasync"} and (found := _FLUSHED.search(given)):
            path = found[1]
            if path in failed:
                again.append(path)
            if int(result) < 0 and not is_excepted(path):
                failed.add(path)
    return again


def is_excepted(path: str) -> bool:
    parts = Path(path).parts[Path(path).parts.index("workspace") + 1 :]
    ledger = "".join(parts).startswith("ledger.db")
    lasting = len(parts) < 2 or (len(parts) == 2 and parts[0] in {"work", "master"})
    return ledger or lasting or parts[0] == "inbox"


def points(story: str, each: int) -> list[tuple[str, str]]:
    """Return so many calls of each name, spread evenly, that fail once and from then on."""
    found = []
    for name in CALLS:
        numbers = [number for call, number in calls_of(story) if call == name]
        chosen = numbers[len(numbers) // (2 * each) :: max(1, len(numbers) // each)][:each]
        found += [(name, f"{number}{'+' * (number % 2)}") for number in chosen]
    return found


def faults_at(story: str, where: list[tuple[str, str]]) -> list[str]:
    with ThreadPoolExecutor(_AT_ONCE) as threads:
        return list(threads.map(lambda point: fault_at(story, *point), where))


@pytest.mark.slow
@pytest.mark.usefixtures("tracer")
def test_some_system_calls_fail_and_all_ends_well_when_they_fail_no_more(counts):
    where = points("master", 4)
    counts(calls=len(where))
    assert len({call for call, _ in where}) > 4
    assert_well(faults_at("master", where))


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("story", ["plain", "returned", "retry", "master"])
@pytest.mark.usefixtures("tracer")
def test_any_system_call_fails_and_all_ends_well_when_it_fails_no_more(story, counts):
    where = [(call, f"{n}{lasting}") for call, n in calls_of(story) for lasting in ("", "+")]
    counts(calls=len(where))
    assert len(where) > 100
    assert_well(faults_at(story, where))


def test_a_second_flush_of_a_file_is_seen_in_the_log_of_a_tracer():
    path = "/workspace/work/J/claim.json"
    failing = f"7 fsync(3<{path}>) = -1 EIO (Input/output error) (INJECTED)"
    flushed = f"7 fsync(3<{path}>) = 0"
    anew = f'7 openat(AT_FDCWD, "{path}", O_WRONLY|O_CREAT|O_EXCL) = 3'
    assert flushed_again([failing, flushed]) == [path]
    assert flushed_again([failing, anew, flushed]) == []
    assert flushed_again([flushed, flushed]) == []
    assert flushed_again([each.replace("/claim.json", "") for each in (failing, flushed)]) == []

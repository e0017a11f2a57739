"""A service that is killed at any of its system calls, those of the ledger included."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import pytest

from service import scenarios
from service.contract import assert_contract, assert_ledger, outcome_of
from service.kit import lay_out, quick_room
from service.scenarios import SCENARIOS, STORIES, act_out, drive

CALLS = ("mkdir", "rename", "renameat", "renameat2", "unlink", "unlinkat", "write", "pwrite64",
         "fsync", "fdatasync", "ftruncate", "rmdir")  # fmt: skip
"""Calls that change a file system, as this system names them."""

MAIN_ONES = {"mkdir", "renameat2", "write", "pwrite64", "fsync", "fdatasync"}
"""Those of them that every story makes, on any system."""

ONE_STEP = [name for name, story in STORIES.items() if len(story.steps) == 1]
"""Stories in which only the service itself can be hit: the outside has done its part before."""

_AT_ONCE = 2


@cache
def why_not() -> str:
    """Return why no process can be traced here, empty when one can."""
    if shutil.which("strace") is None:
        return "strace is not installed"
    command = [
        "strace",
        "-f",
        "-o",
        "/dev/null",
        "-e",
        "inject=fsync:signal=SIGKILL:when=1",
        "true",
    ]
    done = subprocess.run(command, capture_output=True, check=False, text=True)  # noqa: S603 # fixed
    return f"strace cannot trace here: {done.stderr.strip()[:200]}" if done.returncode else ""


@pytest.fixture
def tracer() -> None:
    if why_not():
        pytest.skip(why_not())


def traced(story: str, root: Path, *options: str) -> int:
    """Drive a story under strace, from where it is; return how the process ended."""
    lay_out(root)
    act_out(root, SCENARIOS[story], 1)
    program = [sys.executable, "-B", scenarios.__file__, story, os.fspath(root)]
    done = subprocess.run(  # noqa: S603 # this project's own
        ["strace", "-f", *options, *program],  # noqa: S607 # wherever it is
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True, check=False, text=True,
    )  # fmt: skip
    assert done.returncode in {0, -signal.SIGKILL}, done.stderr
    return done.returncode


def calls_of(story: str) -> list[tuple[str, int]]:
    """Return every call that a story makes: its name, and the how-manieth of this name it is."""
    with quick_room() as room:
        path = room / "calls"
        assert traced(story, room / "workspace", "-o", str(path), f"-etrace={','.join(CALLS)}") == 0
        lines = path.read_text().splitlines()
    made = Counter(line.split()[1].partition("(")[0] for line in lines if "(" in line)
    assert set(made) >= MAIN_ONES, f"not seen: {MAIN_ONES - set(made)}"
    return [(name, number) for name in CALLS for number in range(1, made[name] + 1)]


def fault_after(story: str, call: str, number: int) -> str:
    """Kill a story at a call, bring it to its end; return what is wrong then, empty for nothing."""
    told = SCENARIOS[story]
    with quick_room() as room:
        root, whole = room / "workspace", room / "whole"
        code = traced(
            story, root, "-o", "/dev/null", f"-einject={call}:signal=SIGKILL:when={number}"
        )
        if code != -signal.SIGKILL:
            return f"{call} {number} came no more"
        try:
            assert_contract(root, told.dropped(1))
            drive(root, told)
            drive(whole, told)
            tally = assert_contract(root, told.dropped(1), ended=True)
            assert_ledger(root)
            assert (tally.done, tally.returned) == told.ended
            differing = set(outcome_of(root).items()) ^ set(outcome_of(whole).items())
            bad = {name for name, _ in differing if not (told.tries_vary and "reasons" in name)}
            assert not bad, f"differing: {sorted(bad)[:6]}"
        except AssertionError as error:
            return f"{call} {number}: {error}"
    return ""


def faults_after(story: str, points: list[tuple[str, int]]) -> list[str]:
    """Kill a story at many calls; return what was wrong."""
    with ThreadPoolExecutor(_AT_ONCE) as threads:
        found = list(threads.map(lambda point: fault_after(story, *point), points))
    return [fault for fault in found if fault]


@pytest.mark.slow
@pytest.mark.parametrize("story", ["master", "written to while it runs"])
@pytest.mark.usefixtures("tracer")
def test_killed_at_some_calls_of_each_kind_it_ends_as_if_it_had_not_been(story, counts):
    made = calls_of(story)
    chosen = made[len(made) // 24 :: len(made) // 12][:12]
    counts(calls=len(made), points=len(chosen))
    assert len({name for name, _ in chosen}) > 3
    assert faults_after(story, chosen) == []


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("story", ONE_STEP)
@pytest.mark.usefixtures("tracer")
def test_killed_at_any_call_it_ends_as_if_it_had_not_been(story, counts):
    made = calls_of(story)
    counts(points=len(made))
    assert len(made) > 150
    assert faults_after(story, made) == []

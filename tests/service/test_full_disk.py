"""Disks that are really full, and files that may not grow: decks wait, and go on with room."""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest

from deckwright.service.system.fs import Fs
from service import trouble
from service.contract import assert_contract, assert_ledger
from service.kit import CARDS, STOCK, drop, lay_out, quick_room
from service.trouble import Filled, endure

KIB = 1 << 10
SMALLEST, LARGEST = 64 * KIB, 4096 * KIB
"""Sizes of disks."""


def spread(first: int, last: int, count: int) -> list[int]:
    """Return so many numbers from first to last, each by the same factor larger."""
    return [round(first * (last / first) ** (each / (count - 1))) for each in range(count)]


# ---- disks


@cache
def namespace() -> tuple[list[str], str]:
    """Return the command that gives a process mounts of its own, or why there is none."""
    if shutil.which("unshare") is None:
        return [], "unshare is not installed"
    why = ""
    for how in (["unshare", "-Urm"], ["unshare", "-m"]):
        probe = [*how, "sh", "-c", "mount -t tmpfs -o size=64k none /mnt"]
        done = subprocess.run(probe, capture_output=True, check=False, text=True)  # noqa: S603 # fixed
        if done.returncode == 0:
            return how, ""
        why = done.stderr.strip()[:200]
    return [], f"no disk can be mounted here: {why}"


@pytest.fixture
def fill(tmp_path: Path) -> Callable[[list[int]], list[Filled]]:
    """Give a function that fills disks of some sizes; skip where none can be made."""
    command, why_not = namespace()
    if why_not:
        pytest.skip(why_not)

    def filled(sizes: list[int]) -> list[Filled]:
        program = [sys.executable, "-B", trouble.__file__, "disks", tmp_path, *map(str, sizes)]
        done = subprocess.run(  # noqa: S603 # this project's own
            [*command, *program], env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
            capture_output=True, check=False, text=True,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return [Filled(**json.loads(line)) for line in done.stdout.splitlines()]

    return filled


@pytest.mark.parametrize("count", [6, pytest.param(50, marks=pytest.mark.long)])
def test_on_a_full_disk_all_decks_wait_and_end_when_it_has_grown(count, fill, counts):
    disks = fill(spread(SMALLEST, LARGEST, count))
    counts(disks=len(disks), starts=sum(disk.starts for disk in disks))
    assert [disk for disk in disks if disk.bad] == []
    assert [disk.size for disk in disks] == spread(SMALLEST, LARGEST, count)
    assert all(disk.troubles for disk in disks)
    assert {name for disk in disks for name in disk.troubles} > {"no_room"}


# ---- files


@contextmanager
def no_file_over(size: int) -> Iterator[Callable[[], None]]:
    """Let this process write no longer file; yield what ends that before its time."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)

    def lift() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield lift
    finally:
        lift()


def troubles_under(size: int) -> list[str]:
    """Serve decks while no file may be longer, then without that; return what troubles came."""
    decks = {f"{n}.deck": b"item %d,1\n" % n * 20_000 for n in range(3)}  # of 176 KiB
    with quick_room() as room:
        root = room / "workspace"
        lay_out(root)
        for name, data in decks.items():
            drop(root, name, data, job=STOCK if name == "2.deck" else CARDS)
        with no_file_over(size) as lift:

            def heal(times: int) -> bool:
                if times == 2:
                    lift()
                return times < 2

            told = endure(root, Fs(), heal, lambda: assert_contract(root, decks))
        assert assert_contract(root, decks, ended=True).done == len(decks)
        assert_ledger(root)
    return told.troubles


@pytest.mark.parametrize("count", [8, pytest.param(30, marks=pytest.mark.long)])
def test_while_no_file_may_grow_all_decks_wait_and_end_when_they_may(count, counts):
    limits = [0, *spread(1, 32 * KIB, count // 2 - 1), *spread(80 * KIB, 170 * KIB, count // 2)]
    troubles = [troubles_under(size) for size in limits]
    counts(limits=len(troubles))
    assert len(troubles) == count
    assert all(troubles)
    assert {name for told in troubles for name in told} >= {"LedgerError", "no_room"}
    assert troubles_under(1 << 30) == []

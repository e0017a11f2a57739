"""A service whose steps fail or whose disk is full, and what it does when that is over.

Run as a program it serves a story under whatever it is run under (`story ROOT NAME`), or fills
disks of given sizes and lets them grow (`disks FOLDER SIZE ...`, one line of JSON for each); the
latter mounts, so it wants a mount namespace of its own.
"""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from typing_extensions import override

from deckwright.errors import RestartError
from deckwright.jobs.service import RetrySpec
from deckwright.service.runs.room import ROOM_WAIT_S
from deckwright.service.store.ledger import LedgerError
from deckwright.service.system.fs import Fs
from service.contract import assert_contract, assert_ledger
from service.faults import Fault, FaultFs
from service.kit import Rig, drop, lay_out, spec_with, started
from service.scenarios import SCENARIOS, act_out

BEGIN_AGAIN = (RestartError, LedgerError, OSError)
"""With what the service ends, to be started again."""

SHORT, LONG = 4, 200
"""How often a service waits for a later time: while the trouble lasts, and when it is over."""

_STARTS = 60
"""Starts after which a test gives up."""

_PATIENCE, _GROWS = 4, 8
"""How often a disk is found full before it grows a little, and how often it grows."""

_RESTART = 75
_TROUBLES = {"no_room", "intake_paused", "master_waits"}


class FailingFs(FaultFs):
    """Lets steps fail, and sees whether a file is flushed again whose flush has failed.

    hit: the first step that failed. again: files that were flushed again; the deck of a sender in
    the inbox is none of them, since nobody but the sender can write it anew.
    """

    def __init__(self, fault: Fault | None = None) -> None:
        super().__init__(fault)
        self.hit, self.again = "", list[str]()
        self._failed = set[tuple[int, int]]()

    @override
    def step(self, name: str, given: tuple[Any, ...]) -> Any:
        if name != "flush":
            return super().step(name, given)
        status = os.fstat(given[0])
        path = str(Path(f"/proc/self/fd/{given[0]}").readlink())
        file = (status.st_dev, status.st_ino)
        if file in self._failed:
            self.again.append(path)
        try:
            return super().step(name, given)
        except OSError:
            if stat.S_ISREG(status.st_mode) and "/inbox/" not in path:
                self._failed.add(file)
            raise

    @override
    def _begin(self, name: str, given: tuple[Any, ...]) -> Fault | None:
        fault = super()._begin(name, given)
        if fault and not self.hit:
            self.hit = self.trace[-1]
        return fault


@dataclass(slots=True)
class Endured:
    """How a service came through. begun: steps of its first start; starts: how many it took."""

    begun: int = 0
    starts: int = 0
    tries: dict[str, int] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)


def endure(root: Path, fs: Fs, heal: Callable[[int], bool], look: Callable[[], object],
           most: int = _STARTS, **given: Any) -> Endured:  # fmt: skip
    """Serve what lies there while there is trouble, and until all has ended.

    Args:
        root: the workspace.
        fs: takes every step.
        heal: makes the trouble less, given how often that was done; False = it is over.
        look: called between, to see that nothing is lost.
        most: starts after which this is given up.
        given: how the service is set.
    """
    told, healed, troubled = Endured(), 0, True
    while told.starts < most:
        told.starts += 1
        try:
            with started(root, fs, **given) as rig, _heard(rig, told.troubles):
                told.begun = told.begun or getattr(fs, "steps", 0)
                while troubled:
                    rig.step_all(SHORT)
                    look()
                    troubled, healed = heal(healed), healed + 1
                rig.advance(ROOM_WAIT_S)
                rig.step_all(LONG)
                told.tries = {run: rig.ledger.tries(run) for run, _ in rig.ledger.states()}
                return told
        except BEGIN_AGAIN as error:
            told.troubles.append(type(error).__name__)
            look()
            troubled, healed = heal(healed), healed + 1
    msg = f"not through after {most} starts: {told.troubles}"
    raise AssertionError(msg)


@contextmanager
def _heard(rig: Rig, troubles: list[str]) -> Iterator[None]:
    try:
        yield
    finally:
        troubles += [name for name, _ in rig.events if name in _TROUBLES]


def serve_story(root: Path, story: str) -> int:
    """Serve a story whose outside has done its part, for a while; return the exit code."""
    assert len(SCENARIOS[story].steps) == 1
    try:
        with started(root) as rig:
            rig.step_all(SHORT)
    except BEGIN_AGAIN:
        return _RESTART
    return 0


# ---- full disks


@dataclass(slots=True)
class Filled:
    """What came of a disk. grown: how often it had to grow; bad: what was wrong."""

    size: int
    grown: int = 0
    starts: int = 0
    troubles: list[str] = field(default_factory=list)
    bad: str = ""


def fill(folder: Path, size: int) -> Filled:
    """Serve decks on a disk that is too small for their outputs, and let it grow bit by bit."""
    told = Filled(size)
    root = folder / "workspace"
    _mount(folder, size)
    try:
        lay_out(root)
        decks = {f"{n}.deck": bytes([65 + n]) * (size * 11 // 100) + b"\n" for n in range(5)}
        for name, data in decks.items():
            drop(root, name, data)

        def grow(times: int) -> bool:
            told.grown = (times + 1) // _PATIENCE
            more = size // 4 + (1 << 18)  # a ledger on a full disk takes ever more room
            _mount(folder, size + told.grown * more, "remount,")
            return told.grown < _GROWS

        endured = endure(root, Fs(), grow, lambda: assert_contract(root, decks),
                         spec=spec_with(retry=RetrySpec()))  # fmt: skip
        told.starts, told.troubles = endured.starts, endured.troubles
        assert assert_contract(root, decks, ended=True).done == len(decks)
        assert_ledger(root)
    except AssertionError as error:
        told.bad = str(error)
    finally:
        subprocess.run(["umount", folder], check=True)  # noqa: S603, S607 # this one's own mount
    return told


def _mount(folder: Path, size: int, how: str = "") -> None:
    command = ["mount", "-t", "tmpfs", "-o", f"{how}size={size}", "none", folder]
    subprocess.run(command, check=True)  # noqa: S603 # in a namespace of its own


def main(what: str, place: str, *given: str) -> int:
    """Do what is asked for."""
    if what == "story":
        return serve_story(Path(place), *given)
    for size in map(int, given):
        sys.stdout.write(json.dumps(asdict(fill(Path(place), size))) + "\n")
    return 0


def prepared(root: Path, story: str) -> None:
    """Lay out a workspace in which the outside of a story has done its part."""
    lay_out(root)
    act_out(root, SCENARIOS[story], 1)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))

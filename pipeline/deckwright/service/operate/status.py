"""Where every deck is: counted from folders and ledger, with what the service tells of itself."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import Any

from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.passedby import passed_by
from deckwright.service.inbox.settling import UNSETTLED
from deckwright.service.outward.state import State, read_state
from deckwright.service.store.holds import JobHolds
from deckwright.service.system.clock import a_while_ago
from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.lock import is_locked
from deckwright.service.system.patterns import matcher
from deckwright.service.system.places import (
    ACKNOWLEDGED,
    DECK,
    PLACES,
    Workspace,
    foreign_in,
    runs_in,
    shown,
)
from deckwright.service.system.standing import expect_workspace

MOST_NAMED = 1000
"""Runs of one state that a status names; it counts all."""

_FOLDERS = {"waiting": "work", "running": "work"}
_SILENT_S = 60.0  # the service tells of itself every second; a long look takes seconds
UNKNOWN = "the ledger does not know it; `deckwright verify` looks closer"
"""What is said of a run that is a folder only, such as one with a claim that was edited."""


class Standing(IntEnum):
    """How a service stands, worst last; also the exit code of `deckwright status`."""

    WELL = 0
    HELD = 10
    """A job or a deck is held."""
    LOOK = 11
    """Something needs a look; the health says what."""
    FULL = 12
    """No decks are taken, since the disk is full."""
    DOWN = 13
    """The service is not running, or has told nothing of itself for a minute."""


@dataclass(frozen=True, slots=True)
class RunLine:
    """A run as a status shows it. place: its folder, below the workspace."""

    run: str
    job: str
    deck: str
    why: str = ""
    place: str = ""


@dataclass(slots=True)
class Status:
    """A workspace at one moment.

    The equation: dropped = in_inbox + waiting + running + held + done + returned, counted over
    folders; `gone` are ended runs whose folders were carried away or tidied, which the ledger
    remembers. Days are days in UTC.
    """

    service: str
    at: str
    standing: str = ""
    exit_code: int = 0
    health: list[str] = field(default_factory=list)
    in_inbox: int = 0
    waiting: int = 0
    running: int = 0
    held: int = 0
    done: int = 0
    returned: int = 0
    done_today: int = 0
    returned_today: int = 0
    gone: int = 0
    dropped: int = 0
    free_bytes: int = 0
    full: bool = False
    silent: bool = False
    running_now: list[dict[str, Any]] = field(default_factory=list)
    held_runs: list[RunLine] = field(default_factory=list)
    held_jobs: dict[str, str] = field(default_factory=dict)
    returned_runs: list[RunLine] = field(default_factory=list)
    retries: dict[str, str] = field(default_factory=dict)
    late_runs: list[str] = field(default_factory=list)
    open_ends: list[RunLine] = field(default_factory=list)
    """Runs of the last `late_s` whose decks end inside a line; a hint, no fault."""
    cut_decks: list[RunLine] = field(default_factory=list)
    """Those of which a later deck seems to be the rest, until somebody acknowledges it."""
    strays: list[dict[str, str]] = field(default_factory=list)
    strays_in_all: int = 0
    passed_by: list[dict[str, str]] = field(default_factory=list)
    """Files in the inbox with names that are no decks: half-copied ones, markers alone."""
    foreign: list[str] = field(default_factory=list)
    """What lies among the runs and is none."""

    def as_dict(self) -> dict[str, Any]:
        """Return the status for JSON."""
        return asdict(self)


def gather(workspace: Workspace, spec: ServiceSpec, faults: Sequence[str] = ()) -> Status:
    """Return the status of a workspace, whether its service runs or not. Writes nothing.

    Args:
        workspace: where.
        spec: the service file.
        faults: what is wrong with that.

    Raises:
        WorkspaceError: there is no workspace.
    """
    expect_workspace(workspace)
    alive = is_locked(workspace)
    last = read_state(workspace)
    told = last if alive and last and _by_holder(workspace, last) else None
    words = ("running" if told else "starting") if alive else "not running"
    status = Status(service=words, at=datetime.now(UTC).isoformat(timespec="seconds"))
    _count(workspace, spec, last, status)
    if last is not None:
        _list_strays(workspace, last, status, stopped=not alive)
    if told is not None:
        _tell(status, told)
    elif alive and _held_for(workspace) > _SILENT_S:
        status.silent = True
        status.health.append("a process holds the workspace, and tells nothing of itself")
    status.free_bytes = _free(workspace)
    wanted = parse_size(spec.limits.min_free)
    if status.free_bytes < wanted and not status.full:
        status.full = True
        free = f"{status.free_bytes / 2**20:,.1f} MiB are free, {wanted / 2**20:,.0f} are wanted"
        status.health.append(f"the disk is full: {free}")
    status.held_jobs = JobHolds(workspace, Fs()).all()
    status.foreign = foreign_in(workspace)
    status.passed_by = [asdict(each) for each in passed_by(workspace, spec, list(_takes(last)))]
    status.dropped = (status.in_inbox + status.waiting + status.running + status.held
                      + status.done + status.returned)  # fmt: skip
    status.health += [fault for fault in faults if fault not in status.health]
    status.exit_code = _standing(status)
    status.standing = Standing(status.exit_code).name.lower()
    return status


def _standing(status: Status) -> Standing:
    if status.service == "not running" or status.silent:
        return Standing.DOWN
    if status.full:
        return Standing.FULL
    held = {f"the job {job} is held" for job in status.held_jobs}
    waiting = any(stray["why"] not in UNSETTLED for stray in status.strays)
    if set(status.health) - held or status.foreign or _in_parts(status) or waiting:
        return Standing.LOOK
    return Standing.HELD if status.held_jobs or status.held else Standing.WELL


def _in_parts(status: Status) -> bool:
    return bool(status.late_runs or status.cut_decks)


def _free(workspace: Workspace) -> int:
    try:
        facts = os.statvfs(workspace.work)
    except OSError:
        return 0
    return facts.f_bavail * facts.f_frsize


def _tell(status: Status, told: State) -> None:
    silent = _seconds_since(told.at)
    if silent > _SILENT_S:
        status.silent = True
        why = "a disk or a share may not answer; what follows is what it told last"
        status.health.append(f"the service has told nothing of itself for {silent:,.0f} s: {why}")
    status.health += told.health
    status.full = bool(told.paused)
    status.running_now = [facts.model_dump() for facts in told.running]
    status.running = min(len(told.running), status.waiting)
    status.waiting -= status.running
    status.retries = told.retries


def _list_strays(workspace: Workspace, last: State, status: Status, *, stopped: bool) -> None:
    """Take over what the service told of strays; once it has stopped, of those still there."""
    strays = [stray.model_dump() for stray in last.strays]
    if stopped:
        strays = [each for each in strays if os.path.lexists(workspace.inbox / each["place"])]
    status.strays = strays
    status.strays_in_all = len(strays) if stopped else last.strays_in_all


def _held_for(workspace: Workspace) -> float:
    """Return the seconds since a process has written its name into the lock file."""
    try:
        return time.time() - workspace.lock.stat().st_mtime
    except OSError:
        return 0.0


def _seconds_since(at: str) -> float:
    try:
        return (datetime.now(UTC) - datetime.fromisoformat(at)).total_seconds()
    except (ValueError, TypeError):  # no time, or one without its zone
        return 0.0


def _count(workspace: Workspace, spec: ServiceSpec, last: State | None, status: Status) -> None:
    """Count every deck once, though decks move on while they are counted.

    A deck that lay in the inbox when that was looked at, and lies elsewhere when the folders are
    looked at after it, is known by its inode, which it keeps.
    """
    before = places_of_runs(workspace)
    inodes = set(_inbox(workspace, spec, last))
    runs = places_of_runs(workspace)
    inodes -= {_inode(workspace, run) for run in runs.keys() - before.keys()}
    folders: dict[str, set[str]] = {name: set() for name in PLACES}
    for run, place in runs.items():
        folders[place].add(run)
    status.in_inbox = len(inodes)
    status.waiting, status.held = len(folders["work"]), len(folders["hold"])
    status.done, status.returned = len(folders["done"]), len(folders["returned"])
    with contextlib.suppress(sqlite3.Error), _reading(workspace.ledger) as ledger:
        _look_up(workspace, ledger, folders, status)
        _list_open_ends(workspace, spec, ledger, status)


def _look_up(
    workspace: Workspace,
    ledger: sqlite3.Connection,
    folders: dict[str, set[str]],
    status: Status,
) -> None:
    """Take over what only the ledger knows."""
    today = datetime.now(UTC).date().isoformat()
    query = "SELECT run, job, name, state, code, ended_at, late FROM runs ORDER BY ended_at DESC"
    unknown = {place: set(runs) for place, runs in folders.items()}
    for run, job, name, state, code, ended_at, late in ledger.execute(query):
        for each in unknown.values():
            each.discard(run)
        if state in {"done", "returned"} and run not in folders[state]:
            status.gone += 1
        if run in folders["hold"]:
            status.held_runs.append(RunLine(run, job, shown(name), code, f"hold/{run}"))
        status.done_today += run in folders["done"] and ended_at.startswith(today)
        if run in folders["returned"]:
            status.returned_today += ended_at.startswith(today)
            if len(status.returned_runs) < MOST_NAMED:
                place = f"returned/{run}/reasons.txt"
                status.returned_runs.append(RunLine(run, job, shown(name), code, place))
        if late and not (workspace.root / state / run / ACKNOWLEDGED).exists():
            status.late_runs.append(run)
    _list_unknown(unknown, status)


def _list_open_ends(
    workspace: Workspace, spec: ServiceSpec, ledger: sqlite3.Connection, status: Status
) -> None:
    """List decks of lines that end inside a line; that of an earlier version knows of none."""
    since = a_while_ago(status.at, spec.late_s)
    query = (
        "SELECT run, job, name, state, taken_at, continued_by FROM open_ends JOIN runs USING (run)"
        " ORDER BY place"
    )
    for run, job, name, state, taken_at, by in ledger.execute(query):
        place = f"{_FOLDERS.get(state, state)}/{run}"
        home = workspace.root / place
        if by and home.is_dir() and not (home / ACKNOWLEDGED).exists():
            why = f"ended inside a line; {by} seems to be the rest of it"
            status.cut_decks.append(RunLine(run, job, shown(name), why, place))
        elif not by and taken_at >= since:
            why = "its last line has no line end"
            status.open_ends.append(RunLine(run, job, shown(name), why, place))


def _list_unknown(unknown: dict[str, set[str]], status: Status) -> None:
    """List the runs of which there are folders only, before the others."""
    for place, lines in (("hold", status.held_runs), ("returned", status.returned_runs)):
        lines[:0] = [
            RunLine(run, "", "", UNKNOWN, f"{place}/{run}") for run in sorted(unknown[place])
        ]
    for place in ("done", "returned"):
        status.health += [f"{place}/{run}: {UNKNOWN}" for run in sorted(unknown[place])]


def places_of_runs(workspace: Workspace) -> dict[str, str]:
    """Return where each run lies; one that moves meanwhile is in the place seen last.

    The order is that in which runs move, so that none is missed; held ones move to and fro.
    """
    found: dict[str, str] = {}
    for place in ("hold", "work", "hold", "done", "returned"):
        folder = workspace.root / place
        for run in runs_in(folder):
            # until its deck comes, the folder of a run is none, and the deck lies in the inbox
            if place != "work" or os.path.lexists(folder / run / DECK):
                found[run] = place
    return found


def _inode(workspace: Workspace, run: str) -> int:
    for place in PLACES:
        with contextlib.suppress(OSError):
            return os.lstat(workspace.root / place / run / DECK).st_ino
    return -1


def _takes(last: State | None) -> dict[str, list[str]]:
    return last.takes if last else {}


def _inbox(workspace: Workspace, spec: ServiceSpec, last: State | None) -> Iterator[int]:
    """Yield the inodes of the decks in the inbox; before the first start, of all its files.

    Which jobs are sound, and so which files are decks, the service alone knows; what it told last
    stands when it has ended too.
    """
    takes = _takes(last) or {name: ["*"] for name in names_in(workspace.inbox)}
    ignored = matcher(tuple(spec.ignore))
    for folder, patterns in takes.items():
        wanted = matcher(tuple(patterns))
        with contextlib.suppress(OSError), os.scandir(workspace.inbox / folder) as entries:
            for entry in entries:
                if (
                    entry.is_file(follow_symlinks=False)
                    and wanted.match(entry.name)
                    and not ignored.match(entry.name)
                ):
                    yield entry.inode()


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    database = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=2)
    try:
        yield database
    finally:
        database.close()


def _by_holder(workspace: Workspace, told: State) -> bool:
    """Tell whether the service that runs now has told this."""
    try:
        holder = workspace.lock.read_bytes()
    except OSError:
        return True
    return holder.startswith(f"process {told.process} on ".encode())

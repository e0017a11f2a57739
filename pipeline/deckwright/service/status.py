"""Where every deck is: counted from folders and ledger, with what the service tells of itself."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from deckwright.errors import WorkspaceError
from deckwright.jobs.service import ServiceSpec
from deckwright.service.fs import Fs, names_in
from deckwright.service.holds import JobHolds
from deckwright.service.lock import is_locked
from deckwright.service.places import DECK, Workspace, runs_in, shown
from deckwright.service.settling import matcher
from deckwright.service.state import State, read_state

MOST_NAMED = 1000
"""Runs of one state that a status names; it counts all."""

_SILENT_S = 60.0  # the service tells of itself every second; a long look takes seconds
_PLACES = ("work", "hold", "done", "returned")


@dataclass(frozen=True, slots=True)
class RunLine:
    """A run as a status shows it."""

    run: str
    job: str
    deck: str
    why: str = ""


@dataclass(slots=True)
class Status:
    """A workspace at one moment.

    The equation: dropped = in_inbox + waiting + running + held + done + returned, counted over
    folders; `gone` are ended runs whose folders were carried away or tidied, which the ledger
    remembers.
    """

    service: str
    at: str
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
    running_now: list[dict[str, Any]] = field(default_factory=list)
    held_runs: list[RunLine] = field(default_factory=list)
    held_jobs: dict[str, str] = field(default_factory=dict)
    returned_runs: list[RunLine] = field(default_factory=list)
    retries: dict[str, str] = field(default_factory=dict)
    late_runs: list[str] = field(default_factory=list)
    strays: list[dict[str, str]] = field(default_factory=list)
    strays_in_all: int = 0

    def as_dict(self) -> dict[str, Any]:
        """Return the status for JSON."""
        return asdict(self)


def gather(workspace: Workspace, spec: ServiceSpec) -> Status:
    """Return the status of a workspace, whether its service runs or not. Writes nothing.

    Raises:
        WorkspaceError: there is no workspace.
    """
    if not workspace.inbox.is_dir() or not workspace.work.is_dir():
        msg = f"{workspace.root} is no workspace; `deckwright init {workspace.root}` makes one"
        raise WorkspaceError(msg)
    alive = is_locked(workspace)
    told = _told(workspace) if alive else None
    status = Status(
        service="running" if alive else "not running",
        at=datetime.now(UTC).isoformat(timespec="seconds"),
    )
    _count(workspace, spec, told, status)
    if told is not None:
        _tell(status, told)
    else:
        status.health.append("the service is not running" if not alive else "the service starts")
    status.held_jobs = JobHolds(workspace, Fs()).all()
    status.dropped = (status.in_inbox + status.waiting + status.running + status.held
                      + status.done + status.returned)  # fmt: skip
    return status


def _tell(status: Status, told: State) -> None:
    silent = _seconds_since(told.at)
    if silent > _SILENT_S:
        why = "a disk or a share may not answer; what follows is what it told last"
        status.health.append(f"the service has told nothing of itself for {silent:,.0f} s: {why}")
    status.health += told.health
    status.running_now = [facts.model_dump() for facts in told.running]
    status.running = min(len(told.running), status.waiting)
    status.waiting -= status.running
    status.retries = told.retries
    status.strays = [stray.model_dump() for stray in told.strays]
    status.strays_in_all = told.strays_in_all


def _seconds_since(at: str) -> float:
    try:
        return (datetime.now(UTC) - datetime.fromisoformat(at)).total_seconds()
    except (ValueError, TypeError):  # no time, or one without its zone
        return 0.0


def _count(workspace: Workspace, spec: ServiceSpec, told: State | None, status: Status) -> None:
    """Count every deck once, though decks move on while they are counted.

    A deck that lay in the inbox when that was looked at, and lies elsewhere when the folders are
    looked at after it, is known by its inode, which it keeps.
    """
    before = _runs(workspace)
    inodes = set(_inbox(workspace, spec, told))
    runs = _runs(workspace)
    inodes -= {_inode(workspace, run) for run in runs.keys() - before.keys()}
    folders: dict[str, set[str]] = {name: set() for name in _PLACES}
    for run, place in runs.items():
        folders[place].add(run)
    status.in_inbox = len(inodes)
    status.waiting, status.held = len(folders["work"]), len(folders["hold"])
    status.done, status.returned = len(folders["done"]), len(folders["returned"])
    with contextlib.suppress(sqlite3.Error), _reading(workspace.ledger) as ledger:
        _look_up(ledger, folders, status)


def _look_up(ledger: sqlite3.Connection, folders: dict[str, set[str]], status: Status) -> None:
    """Take over what only the ledger knows."""
    today = datetime.now(UTC).date().isoformat()
    query = "SELECT run, job, name, state, code, ended_at, late FROM runs ORDER BY ended_at DESC"
    for run, job, name, state, code, ended_at, late in ledger.execute(query):
        if state in {"done", "returned"} and run not in folders[state]:
            status.gone += 1
        if run in folders["hold"]:
            status.held_runs.append(RunLine(run, job, shown(name)))
        if run in folders["done"]:
            status.done_today += ended_at.startswith(today)
        if run in folders["returned"]:
            status.returned_today += ended_at.startswith(today)
            if len(status.returned_runs) < MOST_NAMED:
                status.returned_runs.append(RunLine(run, job, shown(name), code))
        if late:
            status.late_runs.append(run)


def _runs(workspace: Workspace) -> dict[str, str]:
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
    for place in _PLACES:
        with contextlib.suppress(OSError):
            return os.lstat(workspace.root / place / run / DECK).st_ino
    return -1


def _inbox(workspace: Workspace, spec: ServiceSpec, told: State | None) -> Iterator[int]:
    """Yield the inodes of the decks in the inbox; without a service, of all files in its folders.

    Which jobs are sound, and so which files are decks, the service alone knows.
    """
    takes = told.takes if told else {name: ["*"] for name in names_in(workspace.inbox)}
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


def _told(workspace: Workspace) -> State | None:
    """Return what the service that runs now told last; None: it has told nothing yet."""
    told = read_state(workspace)
    try:
        holder = workspace.lock.read_bytes()
    except OSError:
        return told
    return told if told and holder.startswith(f"process {told.process} on ".encode()) else None

"""What the running service tells of itself: one file that is replaced, read by `status`."""

from __future__ import annotations

import contextlib
import errno
import os

from pydantic import Field

from deckwright.service.store.records import BadRecordError, Record, load
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace

_NAME = "state.json"
_MOST = 16 << 20
_RESERVE, _RESERVED = "reserve", 128 << 10


class RunningFacts(Record):
    """A run that a worker has. Counts cards."""

    run: str
    job: str
    deck: str
    stage: str
    done: int
    total: int


class StrayFacts(Record):
    """Something in the inbox that is no deck for any job."""

    place: str
    why: str


class State(Record):
    """The service at one moment. health: reasons why it is not well; empty = well."""

    state: int = 1
    process: int
    at: str
    health: list[str] = Field(default_factory=list)
    paused: str = ""
    running: list[RunningFacts] = Field(default_factory=list)
    in_inbox: int = 0
    strays: list[StrayFacts] = Field(default_factory=list)
    strays_in_all: int = 0
    jobs: dict[str, str] = Field(default_factory=dict)
    """Every job that is served, with the name of its inbox folder."""
    takes: dict[str, list[str]] = Field(default_factory=dict)
    """Every inbox folder of a job, with the patterns of the names that are taken from it."""
    retries: dict[str, str] = Field(default_factory=dict)
    """Runs that wait for a later try, each with the cause."""


def write_state(workspace: Workspace, fs: Fs, state: State) -> None:
    """Replace the state file. It is a hint, so it is not flushed.

    A little room is kept for it, so that on a full disk too it can be told what is the matter.

    Raises:
        OSError: there is no room even so.
    """
    reserve = workspace.control / _RESERVE
    try:
        _write(workspace, fs, state)
    except OSError as error:
        if error.errno not in {errno.ENOSPC, errno.EDQUOT} or not reserve.exists():
            raise
        fs.unlink(reserve)
        _write(workspace, fs, state)
        return
    if not reserve.exists():
        with contextlib.suppress(OSError):
            fs.write_hint(reserve, b"\xff" * _RESERVED)


def _write(workspace: Workspace, fs: Fs, state: State) -> None:
    aside = workspace.control / "state.tmp"
    if os.path.lexists(aside):
        fs.unlink(aside)
    fs.write_hint(aside, state.to_bytes())
    fs.replace(aside, workspace.control / _NAME)


def read_state(workspace: Workspace) -> State | None:
    """Return what the service last told of itself, None when nothing can be read."""
    try:
        return load(State, workspace.control / _NAME, _MOST)
    except BadRecordError:
        return None

"""Reading and checking all jobs of a workspace, in processes of their own.

A job file may name a plugin, and a plugin runs when it is loaded; so nothing of it is loaded here.
The same holds for the observers that the service file names, whose options are checked as well.
All jobs are compiled in one process. Where that one ends, hangs or says nonsense, what it has not
told yet is compiled job by job, so that a plugin spoils its own job alone.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field

from deckwright.service.store.records import Amount, BadRecordError, JobName, Record, parse
from deckwright.service.store.snapshot import LARGEST, digest
from deckwright.service.system.places import Workspace, shown
from deckwright.service.workers import processes
from deckwright.service.workers.process import environment
from deckwright.service.workers.verdicts import ending

_COMMAND = (sys.executable, "-I", "-m", "deckwright.service.config.compiling")
_LONGEST = 2 * LARGEST
_BLOCK = 1 << 18
_TICK_S, _PATIENCE_S, _REAP_S = 1.0, 5.0, 0.005
_MOST_FAULTS = 100

SERVICE_FILE = "../service.toml"
"""The service file among the job files, as it lies beside their folder; no job has this name."""


@dataclass(frozen=True, slots=True)
class CompiledJob:
    """What the service must know of a job.

    inbox: name of its folder in the inbox. names: patterns of file names. snapshot: its config as
    it is kept, sha256 names it. stages: their labels. card_bytes: bytes of every card in a deck,
    None where they differ. longest: as `Medium.longest_line` says. memory: bytes. files: named
    files, absolute paths. next_masters: each delivery that a stage declares the next state of a
    master, with the master's name.
    """

    name: str
    title: str
    inbox: str
    names: tuple[str, ...]
    snapshot: bytes
    sha256: str
    stages: list[str]
    card_bytes: int | None
    longest: int | None
    memory: int
    files: dict[str, str]
    next_masters: dict[str, str]


@dataclass(frozen=True, slots=True)
class Compiled:
    """All jobs that are right, by name, and what is wrong with the others: with file and line.

    notice_faults: what is wrong with the observers that the service file names.
    """

    jobs: dict[str, CompiledJob] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    notice_faults: list[str] = field(default_factory=list)


class Begun(Record):
    """A job is being compiled."""

    kind: Literal["begun"] = "begun"
    file: Annotated[str, Field(max_length=255)]


class Good(Record):
    """A job is right; see `CompiledJob`."""

    kind: Literal["good"] = "good"
    file: Annotated[str, Field(max_length=255)]
    name: JobName
    title: Annotated[str, Field(max_length=10_000)]
    inbox: JobName
    names: list[Annotated[str, Field(max_length=255)]]
    snapshot: str
    stages: list[Annotated[str, Field(max_length=500)]]
    card_bytes: Amount | None
    longest: Amount | None
    memory: Amount
    files: dict[str, Annotated[str, Field(max_length=4096)]]
    next_masters: dict[str, Annotated[str, Field(max_length=4096)]]

    def job(self) -> CompiledJob:
        """Return the job; the hash is made here, whatever the other process may think."""
        data = self.snapshot.encode("ascii")
        return CompiledJob(
            self.name, self.title, self.inbox, tuple(self.names), data, digest(data),
            list(self.stages), self.card_bytes, self.longest, self.memory, dict(self.files),
            dict(self.next_masters),
        )  # fmt: skip


class Bad(Record):
    """A job is wrong; of the service file, its faults, which may be none."""

    kind: Literal["bad"] = "bad"
    file: Annotated[str, Field(max_length=255)]
    faults: Annotated[list[Annotated[str, Field(max_length=4000)]], Field(max_length=_MOST_FAULTS)]


_MODELS: dict[str, type[Begun | Good | Bad]] = {"begun": Begun, "good": Good, "bad": Bad}


def compile_jobs(
    workspace: Workspace, seconds: float, *, beat: Callable[[], None] = lambda: None
) -> Compiled:
    """Compile every job file in `config/jobs`, and check the observers of the service file.

    Args:
        workspace: where.
        seconds: time for each process; there is one for all jobs, and one more for each job that
            this one could not tell of.
        beat: called about once a second meanwhile.
    """
    folder = workspace.config / "jobs"
    try:
        files = sorted(os.fsencode(path.name) for path in folder.glob("*.toml") if path.is_file())
    except OSError as error:
        return Compiled(faults=[f"config/jobs cannot be read: {error.strerror}"])
    names, faults = _nameable(files)
    names += [SERVICE_FILE] if workspace.service_file.is_file() else []
    found: dict[str, Good | Bad] = {}
    _compile(workspace, names, seconds, beat, found)
    for name in names:
        if name not in found:
            why = _compile(workspace, [name], seconds, beat, found)
            place = os.path.normpath(f"config/jobs/{name}")
            found.setdefault(name, Bad(file=name, faults=[f"{place}: {why}"]))
    service = found.pop(SERVICE_FILE, None)
    notice_faults = list(service.faults) if isinstance(service, Bad) else []
    good = [each.job() for each in found.values() if isinstance(each, Good)]
    faults += [fault for each in found.values() if isinstance(each, Bad) for fault in each.faults]
    clashes = _clashes(good)
    jobs = {job.name: job for job in good if job.name not in clashes}
    return Compiled(jobs, sorted([*faults, *clashes.values()]), notice_faults)


def _nameable(files: Sequence[bytes]) -> tuple[list[str], list[str]]:
    """Part the names of job files into those that can be names of jobs, and faults."""
    names, faults = [], []
    for file in files:
        text = os.fsdecode(file)
        try:
            parse(_Named, json.dumps({"name": text.removesuffix(".toml")}).encode())
            names.append(text)
        except BadRecordError:
            what = "name it with letters, digits, dots, underscores and hyphens only, 64 at most"
            faults.append(f"config/jobs/{shown(file)}: cannot be the name of a job; {what}")
    return names, faults


class _Named(Record):
    name: JobName


def _clashes(jobs: Sequence[CompiledJob]) -> dict[str, str]:
    """Return a fault for each job that wants the very decks that another one wants."""
    wanted: dict[tuple[str, str], list[str]] = {}
    for job in jobs:
        for pattern in job.names:
            wanted.setdefault((job.inbox, pattern), []).append(job.name)
    found = {}
    for (inbox, pattern), names in wanted.items():
        if len(names) > 1:
            what = f"{' and '.join(names)} both want the decks {pattern!r} of the inbox {inbox!r}"
            for name in names:
                found[name] = f"config/jobs/{name}.toml: {what}; give them different 'names'"
    return found


def _compile(
    workspace: Workspace,
    names: Sequence[str],
    seconds: float,
    beat: Callable[[], None],
    found: dict[str, Good | Bad],
) -> str:
    """Compile some jobs in one process; enter what it tells, return why it told no more."""
    if not names:
        return ""
    try:
        with _process(workspace, names) as (popen, pipe):
            _hear(_lines(pipe, time.monotonic() + seconds, beat), names, found)
            code = popen.wait(_PATIENCE_S)
            why = f"a plugin that it names ended the process ({ending(code)})"
    except TimeoutError:
        why = f"a plugin that it names was still being loaded after {seconds:.0f} s"
    except BadRecordError:
        why = "a plugin that it names wrote where only the program writes"
    except (OSError, MemoryError) as error:
        why = f"no process to compile it could be had: {getattr(error, 'strerror', 'no memory')}"
    except subprocess.TimeoutExpired:
        why = "a plugin that it names keeps the process from ending"
    return why


def _hear(lines: Iterator[bytes], names: Sequence[str], found: dict[str, Good | Bad]) -> None:
    begun = ""
    for line in lines:
        told = _parse(line)
        if isinstance(told, Begun):
            begun = told.file
        elif told.file == begun and told.file in names:
            found[told.file], begun = told, ""
        else:
            raise BadRecordError


@contextlib.contextmanager
def _process(
    workspace: Workspace, names: Sequence[str]
) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """Give a process that compiles and the pipe on which it tells; kill it and all below it."""
    reading, writing = os.pipe2(os.O_CLOEXEC)
    token = secrets.token_hex(16)
    try:
        popen = subprocess.Popen(  # noqa: S603 # our own program
            [*_COMMAND, str(workspace.root), str(writing), str(os.getpid()), *names],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            pass_fds=[writing],
            start_new_session=True,
            cwd=workspace.tmp,
            env=environment(workspace.tmp, token, os.environ),
        )
    except BaseException:
        os.close(reading)
        os.close(writing)
        raise
    os.close(writing)
    try:
        yield popen, reading
    finally:
        os.close(reading)
        below = processes.end_below(popen.pid)
        with contextlib.suppress(OSError):
            os.killpg(popen.pid, signal.SIGKILL)
        popen.wait()
        _reap(below | processes.end_left({popen.pid}, token, ()))


def _reap(below: set[processes.Kin]) -> None:
    """Forget killed processes, where they have come to this one; wait a moment for their end."""
    until = time.monotonic() + _TICK_S
    while below and time.monotonic() < until:
        below = {each for each in below if not processes.reap(each)}
        time.sleep(_REAP_S if below else 0)


def _lines(pipe: int, until: float, beat: Callable[[], None]) -> Iterator[bytes]:
    """Yield what comes through a pipe line by line.

    Raises:
        TimeoutError: it did not end in time.
        BadRecordError: it is longer than anything that is said.
    """
    waiting = bytearray()
    while True:
        left = until - time.monotonic()
        if left <= 0:
            raise TimeoutError
        if not select.select([pipe], [], [], min(left, _TICK_S))[0]:
            beat()
            continue
        block = os.read(pipe, _BLOCK)
        if not block:
            return
        waiting += block
        if len(waiting) > _LONGEST:
            raise BadRecordError
        while (at := waiting.find(b"\n")) >= 0:
            line = bytes(waiting[:at])
            del waiting[: at + 1]
            yield line


def _parse(line: bytes) -> Begun | Good | Bad:
    try:
        kind = json.loads(line).get("kind")
    except (ValueError, AttributeError, RecursionError) as error:
        raise BadRecordError from error
    model = _MODELS.get(kind) if isinstance(kind, str) else None
    if model is None:
        raise BadRecordError
    return parse(model, line)


__all__ = ["Bad", "Begun", "Compiled", "CompiledJob", "Good", "compile_jobs"]

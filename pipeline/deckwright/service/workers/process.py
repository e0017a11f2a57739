"""One worker process as the service sees it: started, spoken to, heard, ended with all below it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from pydantic import Field, TypeAdapter, ValidationError

from deckwright.frames import FRAMES
from deckwright.service.workers.messages import LONGEST, Ended, Progress, RunOrder
from deckwright.service.workers.processes import Kin, end_below
from deckwright.service.workers.traces import Rest

Message = Progress | Ended | Rest
"""What a worker may say."""

_MESSAGES: TypeAdapter[Message] = TypeAdapter(Annotated[Message, Field(discriminator="kind")])
_BLOCK = 1 << 16
_MOST_A_LOOK = 2 << 20
_COMMAND = (sys.executable, "-I", "-m", "deckwright.service.workers.worker")


class NonsenseError(Exception):
    """A worker said what no worker may say."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What every worker is started with; sizes in bytes."""

    memory: int
    file: int
    open_files: int
    nice: int
    token: str
    lock: int | None


@dataclass(slots=True)
class WorkerProcess:
    """A worker. config: what its last order was run with, "" before the first."""

    popen: subprocess.Popen[bytes]
    scratch: Path
    config: str = ""
    plain: bool = True
    ready: bool = False
    runs: int = 0
    first_resident: int = 0
    _orders: int = -1
    _messages: int = -1
    _heard: bytearray = field(default_factory=bytearray)
    _unsaid: bytearray = field(default_factory=bytearray)
    _watch: int = -1
    below: set[Kin] = field(default_factory=set)
    """Processes that it had started, and that were ended with it."""

    @classmethod
    def start(cls, settings: Settings, scratch: Path) -> WorkerProcess:
        """Start a process; it loads its libraries while this one goes on.

        Call it from a thread that lives as long as the worker shall, since the worker ends with it.

        Args:
            settings: what all workers are started with.
            scratch: an empty folder for this worker alone.

        Raises:
            OSError: no process, descriptor or room is to be had.
        """
        ends: list[int] = []
        try:
            ends += os.pipe2(os.O_CLOEXEC)
            ends += os.pipe2(os.O_CLOEXEC)
            orders, ours_orders, ours_messages, messages = ends
            for ours in (ours_orders, ours_messages):
                os.set_blocking(ours, False)  # takes it by place only
            kept = [messages, *([settings.lock] if settings.lock is not None else [])]
            popen = subprocess.Popen(  # noqa: S603 # our own program
                [*_COMMAND, _settings_text(settings, scratch, kept)],
                stdin=orders,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=kept,
                start_new_session=True,
                cwd=scratch,
                env=environment(scratch, settings.token, os.environ),
            )
        except BaseException:
            for descriptor in ends:
                os.close(descriptor)
            raise
        os.close(orders)
        os.close(messages)
        return cls(popen, scratch, _orders=ours_orders, _messages=ours_messages)

    @property
    def pid(self) -> int:
        """Return the number of the process, which is that of its session and group too."""
        return self.popen.pid

    @property
    def descriptor(self) -> int:
        """Return what can be read when there is something new: words, or the end after `end`."""
        return self._watch if self._messages < 0 else self._messages

    def give(self, order: RunOrder, config: str) -> None:
        """Hand an order over; what the pipe does not take now is sent by `push`."""
        self.config = config
        self.runs += 1
        self._unsaid += order.model_dump_json().encode() + b"\n"
        self.push()

    def push(self) -> None:
        """Send what could not be sent before; never wait."""
        with contextlib.suppress(BlockingIOError, BrokenPipeError):
            while self._unsaid and self._orders >= 0:
                del self._unsaid[: os.write(self._orders, self._unsaid)]

    def hear(self) -> tuple[list[Message], bool]:
        """Return what was said since the last time, and whether the worker will say more.

        Raises:
            NonsenseError: it is no message, or too long.
        """
        goes_on = self._read()
        found: list[Message] = []
        while (at := self._heard.find(b"\n")) >= 0:
            line = bytes(self._heard[:at])
            del self._heard[: at + 1]
            try:
                found.append(_MESSAGES.validate_json(line))
            except ValidationError:
                raise NonsenseError from None
        if len(self._heard) > LONGEST:
            raise NonsenseError
        return found, goes_on

    def _read(self) -> bool:
        taken = 0
        while taken < _MOST_A_LOOK:
            try:
                block = os.read(self._messages, _BLOCK)
            except BlockingIOError:
                return True
            except OSError:
                return False
            if not block:
                return False
            self._heard += block
            taken += len(block)
        return True

    def ask_to_stop(self) -> None:
        """Send SIGTERM: the run under way is given up and said to be stopped."""
        with contextlib.suppress(OSError):
            self.popen.send_signal(signal.SIGTERM)

    def end(self) -> None:
        """Kill the process, its session and all below it; `gone` tells when it has ended."""
        if self._messages < 0:
            return
        with contextlib.suppress(OSError):
            self._watch = os.pidfd_open(self.pid)
        with contextlib.suppress(OSError):  # stopped, it makes no new ones meanwhile
            os.killpg(self.pid, signal.SIGSTOP)
        self.below |= end_below(self.pid)
        with contextlib.suppress(OSError):
            os.killpg(self.pid, signal.SIGKILL)
        os.close(self._orders)
        os.close(self._messages)
        self._orders = self._messages = -1

    def gone(self) -> bool:
        """Tell whether the process has ended; ask only after `end`."""
        if self.popen.poll() is None:
            return False
        if self._watch >= 0:
            os.close(self._watch)
            self._watch = -1
        return True


def _settings_text(settings: Settings, scratch: Path, kept: list[int]) -> str:
    return json.dumps(
        {
            "parent": os.getpid(),
            "messages": kept[0],
            "keep": kept,
            "memory": settings.memory,
            "file": settings.file,
            "open_files": settings.open_files,
            "nice": settings.nice,
            "scratch": str(scratch),
        }
    )


_PASSED_ON = frozenset({"PATH", "HOME", "LD_LIBRARY_PATH", "POLARS_SKIP_CPU_CHECK"})


def environment(scratch: Path, token: str, given: Mapping[str, str]) -> dict[str, str]:
    """Return the environment of a process that loads jobs: always the same, so outputs are.

    Passed on are the paths to programs and libraries and what begins with `DECKWRIGHT_`; not the
    service's own, such as the address at which it tells that it is alive.

    Args:
        scratch: a folder for temporary files.
        token: the mark by which the process and all that it starts are known.
        given: the environment of this process.
    """
    kept = {
        name: value
        for name, value in given.items()
        if name in _PASSED_ON or name.startswith("DECKWRIGHT_")
    }
    return kept | {
        "DECKWRIGHT_WORKER": token,
        "TMPDIR": str(scratch),
        "LANG": "C.UTF-8",
        "TZ": "UTC",
        **FRAMES,
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }

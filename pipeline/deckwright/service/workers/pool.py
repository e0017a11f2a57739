"""The worker processes of the service: started ahead, given orders, heard, replaced.

What is loaded once serves many decks, so care is taken that no run can touch another:

- A process runs one order at a time, in a folder that no other process writes to.
- It serves one config at a time. It goes over to another only when both use no code but that of
  the program itself: no one-file plugin, no plugin or observer of another distribution. What a
  config uses is learned from its first run, which gets a process of its own.
- It is replaced after `runs_a_worker` runs; after a run that ended in any other way than done or
  with a deck that could not be run; when its folder, umask, open files, threads, child processes,
  environment, module path, signals, timers or locale are not as they were before the run; and
  when it holds much more memory than after its start.
- When it ends, hangs, or says what it may not, it is killed with its session and with all that
  descends from it. Each order ends once, and its end is told only when nothing of its run goes on:
  when the process rests with nothing left behind, or has gone.
"""

from __future__ import annotations

import contextlib
import secrets
import select
import time
from collections.abc import Callable

from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace
from deckwright.service.workers.leftovers import Leftovers
from deckwright.service.workers.messages import Ended, Progress, RunOrder
from deckwright.service.workers.process import Settings, WorkerProcess
from deckwright.service.workers.processes import become_subreaper
from deckwright.service.workers.slot import Slot
from deckwright.service.workers.verdicts import Cause, why_ended

_NICE = 10
_TICK_S, _GONE_S = 0.05, 3.0
_A_FILE_FOR = 4 << 20  # bytes of a deck: a run holds a work file open for each such stretch


class Pool:
    """Runs orders in processes of their own. For one thread, which must outlive the workers."""

    def __init__(
        self, spec: ServiceSpec, workspace: Workspace, lock_fd: int | None, clock: Clock
    ) -> None:
        """Make room for workers; none is started yet.

        Args:
            spec: how many, and their limits.
            workspace: where they work.
            lock_fd: the open lock of the workspace, which workers hold too, so that none that
                outlives the service works beside the next one.
            clock: steady time for timeouts.
        """
        self._spec, self._workspace, self._clock = spec, workspace, clock
        self._lock, self._fs = lock_fd, Fs()
        self._token = secrets.token_hex(16)
        self._leftovers = Leftovers(self._token, self._fs)
        self._plain: dict[str, bool] = {}
        most = spec.limits.runs_a_worker
        self._slots = [Slot(large, most, self._plain) for large in [False] * spec.workers + [True]]
        self._said: list[Progress | Ended] = []
        self._started = 0
        self._warm = self._stopping = False
        self._subreaper_before = become_subreaper()

    def warm(self) -> None:
        """Start the processes for ordinary decks, and from now on keep them started."""
        self._warm = True
        self._keep_warm()

    def refresh(self) -> None:
        """Let the processes that there are serve no order more: what is installed may be new."""
        for slot in self._slots:
            slot.wear()

    def free(self, large: bool) -> bool:  # noqa: FBT001 # one question with two answers
        """Tell whether an order can be given now."""
        return not self._stopping and any(s.free for s in self._slots if s.large == large)

    def start(self, order: RunOrder, *, large: bool, seconds: float, config: str) -> None:
        """Give an order to a free process; how it ends is told by `poll`, also when none starts.

        Args:
            order: what to do.
            large: give it to the process for large decks.
            seconds: time that it may take, from when the process can begin.
            config: SHA-256 of its config.

        Raises:
            RuntimeError: none is free; ask first.
        """
        free = [slot for slot in self._slots if slot.large == large and slot.free]
        if self._stopping or not free:
            msg = "no worker is free"
            raise RuntimeError(msg)
        slot = min(free, key=lambda each: each.effort(config))
        if not slot.serves(config):
            self._replace(slot)
        if slot.process is not None:
            slot.give(order, config, self._clock.steady(), seconds)
            return
        sentence = "no worker process can be started now"
        self._said.append(
            Ended(run=order.run, outcome="no-room", code="no-process", sentence=sentence)
        )

    def running(self) -> list[str]:
        """Return the names of all runs that have not ended."""
        return [slot.run for slot in self._slots if slot.run]

    def processes(self) -> list[int]:
        """Return the process numbers of the workers."""
        return [slot.process.pid for slot in self._slots if slot.process is not None]

    def descriptors(self) -> list[int]:
        """Return what can be read as soon as `poll` has something to do."""
        processes = [slot.process for slot in self._slots if slot.process is not None]
        found = [each.descriptor for each in [*processes, *self._leftovers.leaving]]
        return [each for each in found if each >= 0]

    def next_due(self) -> float | None:
        """Return the steady time at which `poll` has something to do whatever is heard."""
        return min((slot.due for slot in self._slots if slot.due is not None), default=None)

    def poll(self) -> list[Progress | Ended]:
        """Return what there is to tell. Never waits, never raises."""
        now = self._clock.steady()
        for slot in self._slots:
            self._said += slot.hear(now, stopping=self._stopping)
            process, ended = slot.conclude(now)
            self._said += ended
            if process is not None:
                self._leftovers.take(process)
        self._leftovers.round(self.processes())
        if self._warm and not self._stopping:
            self._keep_warm()
        said, self._said = self._said, []
        return said

    def stop(self, seconds: float, hurry: Callable[[], bool] = bool) -> list[Ended]:
        """End all workers; those that run are asked first and given time to give up their runs.

        Args:
            seconds: time to give; then they are killed.
            hurry: tells whether to wait no longer; asked time and again.

        Returns:
            How every open run ended: as its worker still said, else stopped. What looks like a
            fault of job or stage is a stop too, since a plugin may make its own error of a signal.
        """
        self._stopping = True
        for slot in self._slots:
            if not slot.ask_to_stop():
                slot.end(Cause.STOPPED)
        ended = self._wait(seconds, lambda: bool(self.running()) and not hurry())
        for slot in self._slots:
            slot.end(Cause.STOPPED)
        ended += self._wait(_GONE_S, lambda: bool(self.processes()) or self._leftovers.some)
        now = self._clock.steady()
        ended += [each for slot in self._slots for each in slot.give_up(now)]
        become_subreaper(on=self._subreaper_before)
        return [
            why_ended(each.run, Cause.STOPPED, None, each.seconds)
            if each.outcome in {"job", "stage"}
            else each
            for each in ended
        ]

    def _wait(self, seconds: float, more: Callable[[], bool]) -> list[Ended]:
        """Poll while there is more, at most so long; real time, since real processes end."""
        ended: list[Ended] = []
        until = time.monotonic() + seconds
        while True:
            ended += [each for each in self.poll() if isinstance(each, Ended)]
            left = until - time.monotonic()
            if left <= 0 or not more():
                return ended
            poller = select.poll()
            for descriptor in self.descriptors():
                poller.register(descriptor, select.POLLIN)
            poller.poll(1000 * min(left, _TICK_S))

    def _replace(self, slot: Slot) -> None:
        """Put a fresh process in the place of one that has no run."""
        slot.end(Cause.WORN)
        if slot.process is not None:
            self._leftovers.take(slot.process)
        slot.give_up(self._clock.steady())
        self._begin(slot)

    def _keep_warm(self) -> None:
        now = self._clock.steady()
        for slot in self._slots:
            if not slot.large and slot.process is None and now >= slot.begin_at:
                self._begin(slot)

    def _begin(self, slot: Slot) -> None:
        """Start a process in an empty slot; where none can be had, the slot stays empty."""
        self._started += 1
        scratch = self._workspace.tmp / f"worker-{self._token[:8]}-{self._started}"
        try:
            self._fs.make_folder(scratch)
            slot.process = WorkerProcess.start(self._settings(slot.large), scratch)
        except (OSError, MemoryError):
            with contextlib.suppress(OSError):
                self._fs.remove_folder(scratch)
            return
        self._leftovers.enter(slot.process)

    def _settings(self, large: bool) -> Settings:  # noqa: FBT001 # one of two kinds
        limits = self._spec.limits
        more_files = parse_size(limits.deck) // _A_FILE_FOR if large else 0
        return Settings(
            memory=parse_size(limits.memory),
            file=parse_size(limits.file),
            open_files=limits.open_files + more_files,
            nice=_NICE if large else 0,
            token=self._token,
            lock=self._lock,
        )

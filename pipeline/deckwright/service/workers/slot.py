"""Room for one worker process, and what is going on in it."""

from __future__ import annotations

import time
from dataclasses import dataclass

from deckwright.service.workers.messages import Ended, Progress, RunOrder
from deckwright.service.workers.process import NonsenseError, WorkerProcess
from deckwright.service.workers.traces import Rest
from deckwright.service.workers.verdicts import Cause, may_say, why_ended

_READY_S = 60.0  # to load the libraries, on a machine that has other things to do
_REST_S = 10.0  # to look around after a run
_GONE_S = 2.0  # that a killed process may take; then its run is given up without it
_MORE_RESIDENT = 256 << 20
_KEEPS_PROCESS = frozenset({"done", "deck"})


@dataclass(slots=True)
class _Run:
    """An order under way. begun, due: steady seconds; verdict: how the worker says it ended."""

    order: RunOrder
    seconds: float
    begun: float
    due: float
    verdict: Ended | None = None


@dataclass(slots=True)
class Slot:
    """Room for one process, which runs one order at a time.

    large: for large decks. most_runs: after which a process is replaced. plain: config to whether
    it uses the code of the program alone, as far as that is known. begin_at: steady time before
    which no process should be started ahead.
    """

    large: bool
    most_runs: int
    plain: dict[str, bool]
    process: WorkerProcess | None = None
    begin_at: float = 0.0
    _run: _Run | None = None
    _cause: Cause | None = None
    _patience: float = 0.0

    @property
    def free(self) -> bool:
        """Whether it can take an order."""
        return self._run is None

    @property
    def run(self) -> str:
        """Name of the run that has not ended, or ""."""
        return self._run.order.run if self._run else ""

    @property
    def due(self) -> float | None:
        """Steady time at which it must be looked at, whatever is heard."""
        return self._run.due if self._run else None

    def effort(self, config: str) -> int:
        """Return what it takes to run a config here: 0 = the last one was the same, 4 = most."""
        process = self.process
        if process is None or self._cause:
            return 3
        if process.config == config:
            return 0
        if not process.config:
            return 1
        return 2 if self.serves(config) else 4

    def serves(self, config: str) -> bool:
        """Tell whether the process that is here may run a config."""
        process = self.process
        if process is None or self._cause:
            return False
        same = process.config in {"", config}
        return same or (process.plain and self.plain.get(config, False))

    def give(self, order: RunOrder, config: str, now: float, seconds: float) -> None:
        """Hand an order to the process."""
        assert self.process is not None  # noqa: S101 # the caller has seen to it
        wait = seconds if self.process.ready else _READY_S
        self._run = _Run(order, seconds, now, now + wait)
        self.process.give(order, config)

    def wear(self) -> None:
        """Let the process serve no order more than the one that it may have."""
        if self.process is not None:
            self.process.runs = self.most_runs
        if self.free:
            self.end(Cause.WORN)

    def ask_to_stop(self) -> bool:
        """Ask the process to give up its run; return whether there is one."""
        if self._run is None or self.process is None:
            return False
        self.process.ask_to_stop()
        return True

    def hear(self, now: float, *, stopping: bool) -> list[Progress | Ended]:
        """Return what the process says that is to be told.

        Args:
            now: steady time.
            stopping: the service stops, so that the end of a process is no surprise.
        """
        process = self.process
        if process is None or self._cause:
            return []
        process.push()
        said: list[Progress | Ended] = []
        try:
            messages, goes_on = process.hear()
            for message in messages:
                self._take(message, process, said, now)
        except NonsenseError:
            self._disbelieve()
            return said
        if not goes_on:
            self.end(Cause.STOPPED if stopping else Cause.SILENT)
        elif self._run is not None and now >= self._run.due:
            self.end(Cause.LATE)
        return said

    def end(self, cause: Cause) -> None:
        """Kill the process; `conclude` tells what became of its run."""
        if self.process is None or self._cause:
            return
        unready = not self.process.ready and cause is not Cause.STOPPED
        self._cause = Cause.UNREADY if unready else cause
        self._patience = time.monotonic() + _GONE_S
        self.process.end()

    def conclude(self, now: float) -> tuple[WorkerProcess | None, list[Ended]]:
        """Return the process once it has ended, and how its run did.

        Args:
            now: steady time.
        """
        process, cause = self.process, self._cause
        if process is None or cause is None:
            return None, []
        if not process.gone() and time.monotonic() < self._patience:
            return None, []
        return process, self.give_up(now)

    def give_up(self, now: float) -> list[Ended]:
        """Empty the slot; return how its run ended, if there was one."""
        process, run, cause = self.process, self._run, self._cause or Cause.STOPPED
        self.process = self._run = self._cause = None
        if process is not None and not process.ready:
            self.begin_at = now + _REST_S  # the next one would most likely do no better
        if run is None:
            return []
        if run.verdict is not None:
            return [run.verdict]
        code = process.popen.returncode if process else None
        return [why_ended(run.order.run, cause, code, max(0.0, now - run.begun))]

    def _take(
        self, message: Progress | Ended | Rest, process: WorkerProcess,
        said: list[Progress | Ended], now: float,
    ) -> None:  # fmt: skip
        if isinstance(message, Rest):
            self._rest(message, process, said, now)
        elif self._run is None or self._run.verdict or message.run != self._run.order.run:
            raise NonsenseError
        elif isinstance(message, Progress):
            if said and isinstance(said[-1], Progress):
                said.pop()  # only the newest counts
            said.append(message)
        elif may_say(message, self._run.order):
            self._run.verdict, self._run.due = message, now + _REST_S
            if message.outcome not in _KEEPS_PROCESS:
                self.end(Cause.WORN)
        else:
            raise NonsenseError

    def _rest(
        self, rest: Rest, process: WorkerProcess, said: list[Progress | Ended], now: float
    ) -> None:
        """Take that the process waits; only then is it sure that nothing of the run goes on."""
        run = self._run
        if not process.ready:
            process.ready, process.first_resident = True, rest.resident
            if run is not None:
                run.due = now + run.seconds
            return
        if run is None or run.verdict is None:
            raise NonsenseError
        process.plain = self.plain[process.config] = rest.plain
        grown = rest.resident > process.first_resident + _MORE_RESIDENT
        if rest.left or grown or process.runs >= self.most_runs:
            self.end(Cause.WORN)
        elif not self._cause:
            said.append(run.verdict)
            self._run = None

    def _disbelieve(self) -> None:
        """End the process; what it said of its run before does not count either."""
        if self._run is not None:
            self._run.verdict = None
        self.end(Cause.NONSENSE)
        self._cause = Cause.NONSENSE

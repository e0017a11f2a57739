"""Executors only run tasks; which one runs them changes no byte of what comes out."""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Iterator, Sequence
from typing import Protocol, cast

from deckwright.engine.passes.helpers import Pipe, take_helpers
from deckwright.engine.passes.process import tune_allocator
from deckwright.engine.passes.tasks import Recipe, Result, Task
from deckwright.engine.passes.worker import Worker
from deckwright.engine.planning.plan import Plan
from deckwright.errors import DeckwrightError

_AHEAD = 2  # tasks that a worker has been sent, so that it never waits for the next


class WorkerLostError(DeckwrightError):
    """A worker process ended by itself."""

    exit_code = 70

    def __init__(self, code: int | None) -> None:
        self.code = code
        super().__init__(
            f"a worker process ended by itself (exit code {code}); it may have run out of memory: "
            "run with --workers 1 or lower the job's memory",
        )


class Executor(Protocol):
    """Runs tasks and gives their results in the order of the tasks."""

    def start(self, recipe: Recipe, plan: Plan) -> None:
        """Get ready to run tasks of this recipe; `plan` is it, loaded in this process."""

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Run tasks; yield each result in the order of the tasks, as soon as it is there."""

    def close(self) -> None:
        """End at once whatever runs."""


class InlineExecutor:
    """Runs tasks in this process, one after the other."""

    def __init__(self) -> None:
        self._worker: Worker | None = None

    def start(self, recipe: Recipe, plan: Plan) -> None:
        """Make the one worker."""
        tune_allocator()
        self._worker = Worker(recipe, plan, keeps_parts=True)

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Run tasks one by one."""
        assert self._worker is not None  # noqa: S101 # start comes first
        for task in tasks:
            yield self._worker.run(task)

    def close(self) -> None:
        """Nothing runs between results."""


class ProcessExecutor:
    """Runs tasks in this process and in spawned ones: forking a process with threads is unsafe.

    This process takes tasks too: starting one process fewer saves its libraries' memory and time.
    """

    def __init__(self, workers: int) -> None:
        """Take the number of processes that run tasks, this one included."""
        self._helpers = take_helpers(workers - 1)
        self._worker: Worker | None = None

    def start(self, recipe: Recipe, plan: Plan) -> None:
        """Tell the helpers what they work on; they load the plan while this process goes on."""
        tune_allocator()
        self._worker = Worker(recipe, plan, keeps_parts=True)
        for _, pipe in self._helpers.members:
            pipe.send(recipe)

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Hand tasks out in order; results may come in any order and are given in theirs."""
        assert self._worker is not None  # noqa: S101 # start comes first
        waiting = deque(range(len(tasks)))
        done: dict[int, Result] = {}
        under_way: dict[Pipe, deque[int]] = {pipe: deque() for _, pipe in self._helpers.members}
        given = 0
        while given < len(tasks):
            self._collect(done, under_way, block=not waiting and given not in done)
            self._hand_out(tasks, waiting, under_way)
            if given in done:
                yield done.pop(given)
                given += 1
            elif waiting:
                number = waiting.popleft()
                done[number] = self._worker.run(tasks[number])

    def _hand_out(
        self, tasks: Sequence[Task], waiting: deque[int], under_way: dict[Pipe, deque[int]]
    ) -> None:
        # near the end one task each, so that no process is left with two while another has none
        most = _AHEAD if len(waiting) > _AHEAD * (len(under_way) + 1) else 1
        for pipe, numbers in under_way.items():
            while waiting and len(numbers) < most:
                number = waiting.popleft()
                with contextlib.suppress(BrokenPipeError):  # noticed when its result is waited for
                    pipe.send(tasks[number])
                numbers.append(number)

    def _collect(
        self, done: dict[int, Result], under_way: dict[Pipe, deque[int]], *, block: bool
    ) -> None:
        from multiprocessing.connection import wait  # noqa: PLC0415 # small decks have no helpers

        while busy := [pipe for pipe, numbers in under_way.items() if numbers]:
            found = wait(busy, None if block else 0)
            for ready in found:
                pipe = cast("Pipe", ready)
                done[under_way[pipe].popleft()] = self._receive(pipe)
            if block or not found:
                return

    def _receive(self, pipe: Pipe) -> Result:
        try:
            answer = pipe.recv()
        except (EOFError, ConnectionResetError) as error:
            process = next(process for process, ours in self._helpers.members if ours is pipe)
            process.join(1)
            raise WorkerLostError(process.exitcode) from error
        if isinstance(answer, BaseException):
            raise answer
        assert isinstance(answer, Result)  # noqa: S101 # what serve sends
        return answer

    def close(self) -> None:
        """End the helpers: they hold nothing that is not in work files."""
        self._helpers.close()

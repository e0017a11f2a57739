"""Executors only run tasks; which one runs them changes no byte of what comes out."""

from __future__ import annotations

import contextlib
import os
import signal
from collections import deque
from collections.abc import Iterator, Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Protocol, TypeAlias, cast

from deckwright.engine.plan import Plan
from deckwright.engine.tasks import Recipe, Result, Task
from deckwright.engine.worker import Worker
from deckwright.errors import DeckwrightError

WORKER_ENVIRONMENT = {
    "POLARS_MAX_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}
"""A worker is one process on one core; its libraries must not start more threads."""

Pipe: TypeAlias = "Connection[Any, Any]"
"""A connection to a worker."""

_AHEAD = 2  # tasks that a worker has been sent, so that it never waits for the next


class WorkerLostError(DeckwrightError):
    """A worker process ended by itself."""

    exit_code = 70

    def __init__(self, code: int | None) -> None:
        self.code = code
        super().__init__(
            f"a worker process ended by itself (exit code {code}); it may have run out of memory: "
            "run with --workers 1 or raise the job's memory",
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
        self._worker = Worker(recipe, plan)

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Run tasks one by one."""
        assert self._worker is not None  # noqa: S101 # start comes first
        for task in tasks:
            yield self._worker.run(task)

    def close(self) -> None:
        """Nothing runs between results."""


class ProcessExecutor:
    """Runs tasks in worker processes, spawned: forking a process with threads is unsafe."""

    def __init__(self, workers: int) -> None:
        self._count = workers
        self._workers: list[tuple[BaseProcess, Pipe]] = []

    def start(self, recipe: Recipe, plan: Plan) -> None:  # noqa: ARG002 # workers load their own
        """Spawn the workers; they load the plan while this process goes on."""
        context = get_context("spawn")
        kept = {name: os.environ.get(name) for name in WORKER_ENVIRONMENT}
        os.environ.update(WORKER_ENVIRONMENT)
        try:
            for _ in range(self._count):
                ours, theirs = context.Pipe()
                process = context.Process(target=serve, args=(theirs, recipe), daemon=True)
                process.start()
                theirs.close()
                self._workers.append((process, ours))
        finally:
            for name, value in kept.items():
                os.environ.pop(name) if value is None else os.environ.update({name: value})

    def run(self, tasks: Sequence[Task]) -> Iterator[Result]:
        """Hand tasks out in order; results may come in any order and are given in theirs."""
        waiting = deque(enumerate(tasks))
        done: dict[int, Result] = {}
        under_way: dict[Pipe, deque[int]] = {pipe: deque() for _, pipe in self._workers}
        for _ in range(_AHEAD):
            for pipe in under_way:
                self._hand_out(pipe, waiting, under_way)
        for number in range(len(tasks)):
            while number not in done:
                busy = [pipe for pipe, numbers in under_way.items() if numbers]
                for ready in wait(busy):
                    pipe = cast("Pipe", ready)
                    done[under_way[pipe].popleft()] = self._receive(pipe)
                    self._hand_out(pipe, waiting, under_way)
            yield done.pop(number)

    def _hand_out(
        self,
        pipe: Pipe,
        waiting: deque[tuple[int, Task]],
        under_way: dict[Pipe, deque[int]],
    ) -> None:
        if waiting:
            number, task = waiting.popleft()
            with contextlib.suppress(BrokenPipeError):  # noticed when its result is waited for
                pipe.send(task)
            under_way[pipe].append(number)

    def _receive(self, pipe: Pipe) -> Result:
        try:
            answer = pipe.recv()
        except (EOFError, ConnectionResetError) as error:
            process = next(process for process, ours in self._workers if ours is pipe)
            process.join(1)
            raise WorkerLostError(process.exitcode) from error
        if isinstance(answer, BaseException):
            raise answer
        assert isinstance(answer, Result)  # noqa: S101 # what serve sends
        return answer

    def close(self) -> None:
        """End the workers: they hold nothing that is not in work files."""
        for process, pipe in self._workers:
            pipe.close()
            process.kill()
        for process, _ in self._workers:
            process.join()
        self._workers = []


def serve(pipe: Pipe, recipe: Recipe) -> None:
    """Run tasks that come through the pipe until it closes; the body of a worker process."""
    # the main process decides what an interrupt means
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    worker: Worker | None = None
    while True:
        try:
            task = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            worker = worker or Worker(recipe)
            answer: Result | BaseException = worker.run(task)
        except BaseException as error:  # noqa: BLE001 # sent to the main process, which raises it
            answer = error
        try:
            pipe.send(answer)
        except (BrokenPipeError, OSError):
            return
        except Exception as error:  # noqa: BLE001 # an answer that cannot travel
            pipe.send(RuntimeError(f"{type(answer).__name__}: {answer} ({error})"))

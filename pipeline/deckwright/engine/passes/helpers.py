"""Spawned processes that run tasks; started early, while this process still loads its libraries.

This module imports nothing heavy, so that a command can start helpers before all else.
"""

from __future__ import annotations

import os
import signal
from queue import SimpleQueue
from threading import Thread
from typing import TYPE_CHECKING, Any, TypeAlias

from deckwright.frames import FRAMES

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

    from deckwright.engine.passes.tasks import Result, Task
    from deckwright.engine.passes.worker import Worker

Pipe: TypeAlias = "Connection[Any, Any]"
"""A connection to a helper."""

WORKER_ENVIRONMENT = {
    **FRAMES,
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}
"""A helper is one process on one core; its libraries must not start more threads."""

_early: list[Helpers] = []


class Helpers:
    """Spawned processes, each with a pipe to it."""

    def __init__(self, count: int) -> None:
        """Spawn the processes."""
        self.members: list[tuple[BaseProcess, Pipe]] = []
        from multiprocessing import get_context  # noqa: PLC0415 # small decks have no helpers

        context = get_context("spawn")
        kept = {name: os.environ.get(name) for name in WORKER_ENVIRONMENT}
        os.environ.update(WORKER_ENVIRONMENT)
        try:
            for _ in range(count):
                ours, theirs = context.Pipe()
                process = context.Process(target=serve, args=(theirs,), daemon=True)
                process.start()
                theirs.close()
                self.members.append((process, ours))
        finally:
            for name, value in kept.items():
                os.environ.pop(name) if value is None else os.environ.update({name: value})

    def close(self, leave: int = 0) -> None:
        """End all but some of the processes at once; they hold nothing but what is in files."""
        for process, pipe in self.members[leave:]:
            pipe.close()
            process.kill()
        for process, _ in self.members[leave:]:
            process.join()
        self.members = self.members[:leave]


def start_early(count: int) -> None:
    """Start helpers for the run that this process is about to make."""
    _early.append(Helpers(count))


def take_helpers(count: int) -> Helpers:
    """Return so many helpers: those that were started early, or fresh ones."""
    if not _early:
        return Helpers(count)
    helpers = _early.pop()
    if len(helpers.members) < count:
        helpers.close()
        return Helpers(count)
    helpers.close(leave=count)
    return helpers


def drop_early() -> None:
    """End helpers that were started early and not taken."""
    while _early:
        _early.pop().close()


def serve(pipe: Pipe) -> None:
    """Run the tasks of a recipe that come through the pipe, until it closes; a helper's body."""
    # the main process decides what an interrupt means
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    from deckwright.engine.passes.process import tune_allocator  # noqa: PLC0415 # heavy
    from deckwright.engine.passes.worker import Worker  # noqa: PLC0415 # heavy

    worker: Worker | BaseException
    try:
        recipe = pipe.recv()
        tune_allocator()
        try:
            worker = Worker(recipe)
        except BaseException as error:  # noqa: BLE001 # answered to the first task
            worker = error
        tasks: SimpleQueue[Task | None] = SimpleQueue()
        # tasks are always taken off the pipe: else this process, sending a large answer, and the
        # main process, sending a large task, could wait for each other for ever
        Thread(target=_take_in, args=(pipe, tasks), daemon=True).start()
        while (task := tasks.get()) is not None:
            _send(pipe, _answer(worker, task))
    except (EOFError, OSError):
        return


def _take_in(pipe: Pipe, tasks: SimpleQueue[Task | None]) -> None:
    """Put what comes through the pipe into the queue, and None when the pipe closes."""
    try:
        while True:
            tasks.put(pipe.recv())
    except (EOFError, OSError):
        tasks.put(None)


def _answer(worker: Worker | BaseException, task: Task) -> Result | BaseException:
    if isinstance(worker, BaseException):
        return worker
    try:
        return worker.run(task)
    except BaseException as error:  # noqa: BLE001 # the main process raises it
        return error


def _send(pipe: Pipe, answer: Result | BaseException) -> None:
    try:
        pipe.send(answer)
    except (TypeError, AttributeError, ValueError) as error:  # an answer that cannot travel
        pipe.send(RuntimeError(f"{type(answer).__name__}: {answer} ({error})"))

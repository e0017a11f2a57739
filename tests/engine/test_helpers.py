"""Helper processes beside the main one."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from multiprocessing import Pipe, active_children
from threading import Thread
from types import SimpleNamespace

import pytest

from deckwright.engine.passes.executors import ProcessExecutor, WorkerLostError
from deckwright.engine.passes.helpers import Helpers, drop_early, serve, start_early, take_helpers
from deckwright.errors import ConfigError

LARGE = 2_000_000  # far more than a pipe holds


@pytest.mark.timeout(300)
def test_large_tasks_and_large_answers_do_not_wait_for_each_other() -> None:
    # a job of so long a name cannot be read; every task is answered with that, name and all
    recipe = SimpleNamespace(job="j" * LARGE, replaced={}, work="w")
    helpers = Helpers(1)
    try:
        ((_, pipe),) = helpers.members
        pipe.send(recipe)
        for _ in range(3):
            pipe.send(b"t" * LARGE)  # nothing is read meanwhile
        answers = [pipe.recv() for _ in range(3)]
    finally:
        helpers.close()
    assert [len(str(answer)) > LARGE for answer in answers] == [True, True, True]


# ---- what a helper does, in this process


@pytest.fixture
def signals() -> Iterator[None]:
    """Put back what a helper decides about signals."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def served(recipe: object, *tasks: object) -> list[object]:
    """Serve tasks until the pipe closes; return the answers."""
    ours, theirs = Pipe()
    ours.send(recipe)
    for task in tasks:
        ours.send(task)
    answers: list[object] = []
    enough = Thread(target=lambda: (answers.extend(ours.recv() for _ in tasks), ours.close()))
    enough.start()
    serve(theirs)
    enough.join()
    theirs.close()
    return answers


class Works:
    """A worker that answers, fails or says what cannot travel, as its task asks for."""

    def __init__(self, recipe: object) -> None:
        assert recipe == "recipe"

    @staticmethod
    def run(task: str) -> object:
        if task == "leave":
            raise SystemExit(3)
        return (lambda: None) if task == "odd" else f"did {task}"


@pytest.mark.usefixtures("signals")
def test_each_task_is_answered_in_turn_whatever_becomes_of_it(monkeypatch) -> None:
    monkeypatch.setattr("deckwright.engine.passes.worker.Worker", Works)
    first, left, odd, last = served("recipe", "one", "leave", "odd", "two")
    assert (first, last) == ("did one", "did two")
    assert isinstance(left, SystemExit)
    assert left.code == 3
    assert isinstance(odd, RuntimeError)
    assert str(odd).startswith("function: <function ")


@pytest.mark.usefixtures("signals")
def test_a_recipe_that_does_not_load_is_the_answer_to_every_task() -> None:
    answers = served(SimpleNamespace(job="no/such/job.toml", replaced={}, work="w"), "one", "two")
    assert len(answers) == 2
    assert all("no/such/job.toml" in str(answer) for answer in answers)
    assert {type(answer) for answer in answers} == {ConfigError}


@pytest.mark.usefixtures("signals")
def test_a_helper_without_a_recipe_makes_nothing_and_ends_when_the_pipe_closes(
    monkeypatch,
) -> None:
    made: list[object] = []
    monkeypatch.setattr("deckwright.engine.passes.worker.Worker", made.append)
    ours, theirs = Pipe()
    ours.close()
    serve(theirs)
    assert made == []


# ---- helpers that are started early


def test_helpers_that_were_started_early_are_taken_and_those_too_many_end() -> None:
    start_early(2)
    taken = take_helpers(1)
    try:
        assert len(taken.members) == 1
        assert taken.members[0][0].is_alive()
    finally:
        taken.close()
    assert len(active_children()) == 0


def test_where_there_are_too_few_of_them_they_end_and_others_are_taken() -> None:
    start_early(1)
    taken = take_helpers(2)
    try:
        assert [process.is_alive() for process, _ in taken.members] == [True, True]
    finally:
        taken.close()
        drop_early()
    assert len(active_children()) == 0


def test_helpers_that_nobody_takes_are_ended() -> None:
    start_early(2)
    assert len(active_children()) == 2
    drop_early()
    assert len(active_children()) == 0


def test_a_helper_that_ends_by_itself_is_told_with_its_exit_code() -> None:
    executor = ProcessExecutor(2)
    try:
        ((process, pipe),) = executor._helpers.members  # noqa: SLF001 # to end it
        process.kill()
        with pytest.raises(WorkerLostError, match=r"exit code -9\)") as caught:
            executor._receive(pipe)  # noqa: SLF001 # a run comes here when the pipe has ended
        assert caught.value.exit_code == 70
    finally:
        executor.close()

"""What an operator has done in a workspace: by its service where one runs, else at once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from deckwright.service.operate.control import Answer, AskError, Request, Wish, ask, await_answer
from deckwright.service.operate.finding import resolve
from deckwright.service.setup import Setup, Tools
from deckwright.service.system.lock import LockedError, locked
from deckwright.service.system.places import RUN_NAME, Workspace
from deckwright.service.system.standing import expect_workspace

ANSWER_S = 30.0
"""How long a command waits for the running service."""

FITTING = {"hold": ("waiting",), "resume": ("held",), "requeue": ("done", "returned"),
           "acknowledge": ("done", "returned")}  # fmt: skip
"""In which states a run may be for each wish."""


def operate(folder: Path, wish: Wish, what: str, by: str = "", why: str = "") -> None:
    """Have one thing done in a workspace, by its service when one runs.

    Args:
        folder: the workspace.
        wish: the thing.
        what: a job, a run, the beginning of a run's name, or the name of a deck.
        by: who asks, where that is kept.
        why: the reason, where that is kept.

    Raises:
        AskError: it was not done; says why.
        UnclearError: the name fits no run, or several.
    """
    workspace = Workspace(folder.resolve())
    expect_workspace(workspace)
    if not RUN_NAME.match(what) and not (wish in {"hold", "resume"} and _is_job(workspace, what)):
        what = resolve(workspace, what, FITTING[wish])
    operate_all(workspace, [Request(wish=wish, what=what, by=by, why=why)])


def operate_all(workspace: Workspace, requests: Sequence[Request]) -> None:
    """Have several things done; one that fails does not keep the others back.

    Raises:
        AskError: of one or more it was not done; says why.
    """
    refused = []
    for answer in _answers(workspace, requests):
        if answer.done:
            click.echo(answer.said)
        else:
            refused.append(answer.said)
    if refused:
        raise AskError("\n".join(refused))


def _answers(workspace: Workspace, requests: Sequence[Request]) -> list[Answer]:
    try:
        with locked(workspace):
            setup = Setup(workspace, _silent, Tools())
            try:
                return [setup.operator.do(request) for request in requests]
            finally:
                setup.close()
    except LockedError:
        left = [ask(workspace, request) for request in requests]
        return [await_answer(workspace, name, ANSWER_S) for name in left]


def _is_job(workspace: Workspace, name: str) -> bool:
    file = workspace.config / "jobs" / f"{name}.toml"
    held = workspace.control / f"held-{name}"
    return "/" not in name and (file.is_file() or held.is_file())


def _silent(event: str, **facts: object) -> None:
    """Tell nobody; the command prints the answer."""

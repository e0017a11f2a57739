"""What the operators' commands share: their options, lists of runs, asking the running service."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import click

from deckwright.service.control import Answer, AskError, Request, Wish, ask, await_answer
from deckwright.service.finding import STATES, Entry, resolve
from deckwright.service.lock import LockedError, locked
from deckwright.service.places import RUN_NAME, Workspace, shown
from deckwright.service.setup import Setup, Tools
from deckwright.service.standing import expect_workspace

ANSWER_S = 30.0
"""How long a command waits for the running service."""

FOLDER = click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
JOB = click.option("--job", default="", metavar="JOB", help="Only runs of this job.")
STATE = click.option("--state", type=click.Choice(STATES[1:]), multiple=True,
                     help="Only runs in this state; may be repeated.")  # fmt: skip

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


def complete_jobs(ctx: click.Context, _: click.Parameter, start: str) -> list[str]:
    """Return the names of jobs of the workspace that begin so."""
    folder = ctx.params.get("folder")
    if folder is None:
        return []
    jobs = (Workspace(Path(folder)).config / "jobs").glob("*.toml")
    return sorted(job.stem for job in jobs if job.stem.startswith(start))


def _is_job(workspace: Workspace, name: str) -> bool:
    file = workspace.config / "jobs" / f"{name}.toml"
    held = workspace.control / f"held-{name}"
    return "/" not in name and (file.is_file() or held.is_file())


def print_entries(workspace: Workspace, entries: Sequence[Entry], as_json: bool) -> None:  # noqa: FBT001 # an option handed on
    """Print runs for people: a line each, and a line for each place where its files are."""
    if as_json:
        click.echo(json.dumps([each.as_dict() for each in entries], indent=2))
        return
    for each in entries:
        ended = f"{each.ended_at[:16].replace('T', ' ')} UTC" if each.ended_at else ""
        parts = (each.state, each.job, each.deck, each.why, ended, each.run)
        click.echo("  ".join(shown(part) for part in parts if part))
        if each.follows:
            click.echo(f"    repairs {each.follows}")
        if each.repaired_by:
            click.echo(f"    repaired by {each.repaired_by}")
        for name in each.files:
            click.echo(f"    {shown(str(workspace.root))}/{name}")
    if len(entries) > 1:
        click.echo(f"{len(entries):,} in all")


def _silent(event: str, **facts: object) -> None:
    """Tell nobody; the command prints the answer."""

"""What `hold`, `resume` and `requeue` share: asking the running service, or doing it alone."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.service.control import AskError, Request, Wish, ask
from deckwright.service.lock import LockedError, locked
from deckwright.service.places import Workspace
from deckwright.service.setup import Setup, Tools

ANSWER_S = 30.0
"""How long a command waits for the running service."""

FOLDER = click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))


def operate(folder: Path, wish: Wish, what: str) -> None:
    """Have one thing done in a workspace, by its service when one runs.

    Raises:
        AskError: it was not done; says why.
    """
    workspace = Workspace(folder.resolve())
    request = Request(wish=wish, what=what)
    try:
        with locked(workspace):
            setup = Setup(workspace, _silent, Tools())
            try:
                answer = setup.operator.do(request)
            finally:
                setup.close()
    except LockedError:
        answer = ask(workspace, request, ANSWER_S)
    if not answer.done:
        raise AskError(answer.said)
    click.echo(answer.said)


def _silent(event: str, **facts: object) -> None:
    """Tell nobody; the command prints the answer."""

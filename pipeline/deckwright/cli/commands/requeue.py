"""`deckwright requeue`: run ended decks again; the ended runs stay as they are."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from deckwright.cli.shared.completing import first_argument
from deckwright.cli.shared.listing import FOLDER, JOB
from deckwright.cli.shared.operate import FITTING, operate, operate_all
from deckwright.errors import DeckwrightError
from deckwright.service.operate.control import Request
from deckwright.service.operate.finding import Entry, listed
from deckwright.service.operate.status import UNKNOWN
from deckwright.service.system.places import Workspace
from deckwright.service.system.standing import expect_workspace
from deckwright.wording import plural


def _complete_codes(ctx: click.Context, _: click.Parameter, start: str) -> list[str]:
    """Return the codes with which decks came back that begin so."""
    folder = first_argument(ctx)
    with contextlib.suppress(DeckwrightError, OSError):
        back = listed(Workspace(folder.resolve()), states=("returned",)) if folder else []
        return sorted({each.code for each in back if each.code.startswith(start)})
    return []


@click.command(name="requeue")
@FOLDER
@click.argument("what", metavar="[RUN_OR_DECK]", required=False)
@click.option("--state", type=click.Choice(FITTING["requeue"]), multiple=True,
              help="Only runs in this state; may be repeated.")  # fmt: skip
@JOB
@click.option("--code", default="", metavar="CODE", shell_complete=_complete_codes,
              help="Only decks that came back with this code.")  # fmt: skip
def command(folder: Path, what: str | None, state: tuple[str, ...], job: str, code: str) -> None:
    """Run a finished deck again; the ended run stays as it is.

    Name a run of the workspace DIR, the beginning of its name, or its deck. Without a name, --code,
    --job and --state choose the decks, such as all that came back with one code; those that a later
    run has repaired or repeated are left out.
    """
    if (what is None) == (not (state or job or code)):
        msg = "name one run or deck, or choose several with --code, --job or --state"
        raise click.UsageError(msg)
    if what is not None:
        operate(folder, "requeue", what)
        return
    workspace = Workspace(folder.resolve())
    expect_workspace(workspace)
    states = state or (("returned",) if code else FITTING["requeue"])
    fitting = [e for e in listed(workspace, states=states, job=job) if not code or e.code == code]
    wanted = []
    for entry in fitting:
        if why := _not_again(entry):
            click.echo(f"{entry.run} is left out: {why}")
        else:
            wanted.append(Request(wish="requeue", what=entry.run))
    operate_all(workspace, wanted)
    left = len(fitting) - len(wanted)
    hint = f"; {left:,} left out: to run one all the same, name it" if left else ""
    click.echo(f"{plural(len(wanted), 'deck')} run again{hint}")


def _not_again(entry: Entry) -> str:
    """Say why a run that fits is not run again unasked; "" = it is."""
    if entry.why == UNKNOWN:
        return UNKNOWN
    later = entry.repaired_by or entry.requeued_as
    return f"a later run took its place, {later}" if later else ""

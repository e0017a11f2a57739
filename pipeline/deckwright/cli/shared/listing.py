"""What commands on a workspace share: their options, and lists of runs."""

from __future__ import annotations

import json
from collections.abc import Sequence

import click

from deckwright.cli.shared.completing import complete_jobs
from deckwright.cli.shared.paths import PATH
from deckwright.service.operate.finding import STATES, Entry
from deckwright.service.system.places import Workspace, shown

FOLDER = click.argument("folder", metavar="DIR", type=PATH)
JOB = click.option("--job", default="", metavar="JOB", shell_complete=complete_jobs,
                   help="Only runs of this job.")  # fmt: skip
STATE = click.option("--state", type=click.Choice(STATES[1:]), multiple=True,
                     help="Only runs in this state; may be repeated.")  # fmt: skip


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

"""`deckwright verify`: is every byte of ended runs and masters what it was?"""

from __future__ import annotations

import json
from pathlib import Path

import click

from deckwright.cli.shared.listing import FOLDER
from deckwright.service.operate.verify import verify
from deckwright.service.system.places import Workspace, shown
from deckwright.service.system.standing import expect_workspace
from deckwright.wording import plural


@click.command(name="verify")
@FOLDER
@click.option("--run", default="", metavar="RUN", help="Look at this run only.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
@click.pass_context
def command(ctx: click.Context, folder: Path, run: str, *, as_json: bool) -> None:
    """Check held and ended runs, kept configs and masters of DIR against their checksums.

    Ends with 1 when a byte differs from what the runs left, or something lies among the runs that
    is none. Changes nothing.
    """
    workspace = Workspace(folder.resolve())
    expect_workspace(workspace)
    looked, found = 0, []
    for _, differences in verify(workspace, run):
        looked += 1
        found += differences
    if as_json:
        listed = [{"place": each.place, "what": each.what} for each in found]
        click.echo(json.dumps({"looked_at": looked, "differences": listed}, indent=2))
    else:
        for each in found:
            click.echo(f"{shown(each.place)} {each.what}")
        places, many = plural(looked, "place"), plural(len(found), "difference")
        click.echo(f"{places} looked at, {many}")
    ctx.exit(1 if found else 0)

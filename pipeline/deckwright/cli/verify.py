"""`deckwright verify`: is every byte of ended runs and masters what it was?"""

from __future__ import annotations

import json
from pathlib import Path

import click

from deckwright.cli.operate import FOLDER
from deckwright.service.places import Workspace, shown
from deckwright.service.verify import verify


@click.command(name="verify")
@FOLDER
@click.option("--run", default="", metavar="RUN", help="Look at this run only.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
@click.pass_context
def command(ctx: click.Context, folder: Path, run: str, *, as_json: bool) -> None:
    """Hash everything below `done` and `returned`, the kept configs and the masters of DIR again.

    Ends with 1 when anything differs from what the runs left. Changes nothing.
    """
    looked, found = 0, []
    for _, differences in verify(Workspace(folder.resolve()), run):
        looked += 1
        found += differences
    if as_json:
        listed = [{"place": each.place, "what": each.what} for each in found]
        click.echo(json.dumps({"looked_at": looked, "differences": listed}, indent=2))
    else:
        for each in found:
            click.echo(f"{shown(each.place)} {each.what}")
        click.echo(f"{looked:,} places looked at, {len(found):,} differences")
    ctx.exit(1 if found else 0)

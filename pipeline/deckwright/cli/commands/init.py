"""`deckwright init`: make the workspace of a service."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.paths import PATH
from deckwright.service.operate.starting import FIRST, init_workspace
from deckwright.service.system.places import shown


@click.command(name="init")
@click.argument("folder", metavar="DIR", type=PATH)
@click.option("--example", is_flag=True, help="Also lay decks for the first job into DIR/examples.")
def command(folder: Path, *, example: bool) -> None:
    """Make the workspace DIR: folders, a service file with every key, a first job that works.

    In a folder that is a workspace already it makes what is missing and changes nothing.
    """
    made = init_workspace(folder, example=example)
    place = shown(str(folder))
    if not made:
        click.echo(f"{place} is a workspace; nothing was missing")
        return
    for path in made:
        click.echo(shown(str(path)))
    click.echo(f"start the service: deckwright watch {place}")
    if folder / "inbox" / FIRST in made:
        click.echo(f"and drop decks into {place}/inbox/{FIRST}; {place}/README.txt says more")

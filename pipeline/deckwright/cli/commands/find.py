"""`deckwright find`: where a deck is, by its name."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.shared.listing import FOLDER, print_entries
from deckwright.errors import ConfigError
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.operate.finding import find
from deckwright.service.system.places import Workspace, shown
from deckwright.service.system.standing import expect_workspace


@click.command(name="find")
@FOLDER
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="One JSON list.")
@click.pass_context
def command(ctx: click.Context, folder: Path, name: str, *, as_json: bool) -> None:
    """Find every deck called NAME in the workspace DIR: its state, why, and where its files are.

    NAME is the name of a deck, with or without its ending, or the beginning of the name of a run,
    from four characters on. Where no deck is called so, those are listed whose names hold NAME,
    such as a number. Ends with 1 when there is none.
    """
    workspace = Workspace(folder.resolve())
    expect_workspace(workspace)
    spec = ServiceSpec()
    try:
        spec = load_service(workspace.service_file)
    except ConfigError as error:
        click.echo(f"deckwright: {error}", err=True)
    found = find(workspace, spec, name)
    print_entries(workspace, found, as_json)
    if not found:
        click.echo(f"deckwright: no deck is called {shown(name)!r}, and no run begins so", err=True)
        ctx.exit(1)

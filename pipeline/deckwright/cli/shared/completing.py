"""What the completion of several commands shares."""

from __future__ import annotations

import tomllib
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from deckwright.service.system.places import Workspace


def complete_decks(ctx: click.Context, _: click.Parameter, start: str) -> list[CompletionItem]:
    """Return the names of the decks of a job, as `NAME=`, and files."""
    job = first_argument(ctx)
    files = CompletionItem(start, type="file")
    try:
        tables = tomllib.loads(job.read_text("utf-8")) if job else {}
    except (OSError, ValueError):
        return [files]
    decks = tables.get("deck", [])
    names = [f"{deck.get('name')}=" for deck in decks if isinstance(deck, dict)]
    fitting = [CompletionItem(name) for name in names if name.startswith(start)]
    return fitting or [files]


def first_argument(ctx: click.Context) -> Path | None:
    """Return the path given as the first argument; None where there is none.

    While an option still lacks its value nothing is assigned to arguments.
    """
    names = (each.name for each in ctx.command.params if isinstance(each, click.Argument))
    found = ctx.params.get(next(names, None) or "") or next(iter(ctx.args), None)
    return Path(found) if found else None


def complete_jobs(ctx: click.Context, _: click.Parameter, start: str) -> list[str]:
    """Return the names of jobs of the workspace that begin so."""
    folder = first_argument(ctx)
    if folder is None:
        return []
    jobs = (Workspace(folder).config / "jobs").glob("*.toml")
    return sorted(job.stem for job in jobs if job.stem.startswith(start))

"""What the completion of several commands shares."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.service.system.places import Workspace


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

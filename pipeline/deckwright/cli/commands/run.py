"""`deckwright run`: decks through the chain of a job into a run folder."""

from __future__ import annotations

import os
from pathlib import Path

import click

from deckwright.cli.loading import nothing_collected
from deckwright.cli.shared.completing import complete_decks
from deckwright.cli.shared.paths import PATH
from deckwright.engine.passes.helpers import drop_early, start_early

LARGE = 12_000_000
"""Bytes of decks for which more than one process is surely wanted: 150,000 cards of 80."""


@click.command(name="run")
@click.argument("job", type=PATH)
@click.argument("decks", type=PATH, nargs=-1, metavar="DECK...", shell_complete=complete_decks)
@click.option("-o", "--out", type=PATH, required=True, metavar="DIR",
              help="Run folder to make; it must not exist.")  # fmt: skip
@click.option("-w", "--workers", type=click.IntRange(1, 256), metavar="N",
              help="Number of worker processes [default: one per core].")  # fmt: skip
@click.option("--with", "replaced", multiple=True, metavar="NAME=PATH",
              help="Use another file in place of one that the job names.")  # fmt: skip
@click.pass_context
def command(
    ctx: click.Context,
    job: Path,
    decks: tuple[Path, ...],
    out: Path,
    workers: int | None,
    replaced: tuple[str, ...],
) -> None:
    """Run one or more DECKs through the chain of JOB.

    Several decks are numbered through, as if stacked in the order given. For the medium
    pictures, a folder of pictures is a deck too. The run folder appears
    whole or not at all; the decks are never changed.

    For a job of several named decks, each is given as NAME=PATH; several files of one
    name are numbered through. A deck that lies in a file of the job can be left out.
    """
    named = named_files(replaced)
    twice = [deck for place, deck in enumerate(decks) if deck in decks[:place]]
    if twice:
        click.echo(f"deckwright: deck {str(twice[0])!r} is given twice, and runs twice", err=True)
    _start_helpers(decks, workers)
    with nothing_collected():
        from deckwright.cli.shared.show import Watcher, summary  # noqa: PLC0415 # while helpers start
        from deckwright.engine.planning.given import parsed  # noqa: PLC0415
        from deckwright.engine.planning.plan import load_plan  # noqa: PLC0415
        from deckwright.engine.run import run_job  # noqa: PLC0415

    try:
        with Watcher() as watcher:
            plan = load_plan(job, named)
            if not decks and not plan.named:
                raise click.MissingParameter(ctx=ctx, param=_decks_of(ctx))
            given = parsed(plan, [str(deck) for deck in decks])
            outcome = run_job(job, given, out, workers=workers, progress=watcher, plan=plan)
    finally:
        drop_early()
    summary(outcome)


def _decks_of(ctx: click.Context) -> click.Parameter:
    return next(each for each in ctx.command.params if each.name == "decks")


def _start_helpers(decks: tuple[Path, ...], workers: int | None) -> None:
    """Start helpers at once when the decks look large; they load while this process does."""
    paths = [deck if deck.exists() else Path(str(deck).partition("=")[2]) for deck in decks]
    size = sum(path.stat().st_size for path in paths if path.is_file())
    wanted = workers or len(os.sched_getaffinity(0))
    if wanted > 1 and size > LARGE:
        start_early(wanted - 1)


def named_files(pairs: tuple[str, ...]) -> dict[str, str]:
    """Return NAME=PATH options as a table.

    Raises:
        click.UsageError: one of them is not of that form.
    """
    named = {}
    for pair in pairs:
        name, sign, path = pair.partition("=")
        if not (sign and name and path):
            msg = f"--with takes NAME=PATH, not {pair!r}"
            raise click.UsageError(msg)
        named[name] = path
    return named

"""`deckwright demo`: invented decks with seeded faults, run and compared with the truth."""

from __future__ import annotations

from pathlib import Path

import click
import polars as pl

from deckwright.cli.shared.paths import PATH
from deckwright.demo.files import SEED, write_demo
from deckwright.demo.score import render_score, score
from deckwright.demo.truth import load_truth
from deckwright.engine.run import run_job
from deckwright.errors import OutputError
from deckwright.journal.reader import Journal


@click.command(name="demo")
@click.argument("folder", metavar="DIR", type=PATH)
@click.option("--seed", default=SEED, show_default=True, help="Another seed gives another year.")
def command(folder: Path, seed: int) -> None:
    """Make a year of invented rain-gauge decks in DIR, run their job, compare with the truth."""
    try:
        folder.mkdir(parents=True)
    except FileExistsError as error:
        raise OutputError(
            str(folder), "exists already; name another folder or move it away"
        ) from error
    except OSError as error:
        raise OutputError(
            str(folder), f"cannot be made: {(error.strerror or '').lower()}"
        ) from error
    made = write_demo(folder, seed)
    runs = folder / "runs"
    runs.mkdir()
    findings: list[dict[str, object]] = []
    alone: dict[str, list[str]] = {}
    click.echo("deck                    in    out  returned  set aside")
    for deck in made.decks:
        run = runs / deck.stem
        outcome = run_job(made.job_of(deck), [deck], run)
        click.echo(
            f"{deck.name:<20}{outcome.cards:>6}{outcome.delivered:>7}"
            f"{outcome.returned:>10}{outcome.set_aside:>11}",
        )
        findings += findings_of(run, deck.name)
        listed = pl.read_csv(run / "out" / "stations-without-card.csv", infer_schema=False)
        alone[deck.name] = listed["station"].to_list()
    click.echo()
    click.echo(render_score(score(load_truth(made.truth), findings, alone)))
    click.echo(f"decks and their truth      {folder / 'decks'}, {made.truth}")
    click.echo(f"job and layouts            {made.job.parent}, {made.layouts[0].parent}")
    click.echo(f"a run folder for each deck {runs}")
    click.echo(f"read this page first       {runs / made.decks[0].stem / 'control.html'}")


def findings_of(run: Path, deck: str) -> list[dict[str, object]]:
    """Return every reason that a run gave, as the score wants it."""
    journal = Journal(run)
    return [
        {
            "deck": deck,
            "card": row["card"],
            "stage": journal.stages[row["stage"]]["kind"],
            "reason": row["reason"],
            "field": row["field"],
        }
        for row in journal.entries.iter_rows(named=True)
    ]

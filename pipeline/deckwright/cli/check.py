"""`deckwright check`: every fault of a job and of what it names; nothing is run."""

from __future__ import annotations

from pathlib import Path

import click

from deckwright.cli.run import named_files
from deckwright.engine.plan import load_plan


@click.command(name="check")
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--with", "replaced", multiple=True, metavar="NAME=PATH",
              help="Use another file in place of one that the job names.")  # fmt: skip
def command(job: Path, replaced: tuple[str, ...]) -> None:
    """Check JOB, its layouts, codes and named files; print the chain when all is well."""
    plan = load_plan(job, named_files(replaced))
    click.echo(f"{job}: {plan.spec.title}")
    for step in plan.steps:
        fields = len(step.before.fields)
        click.echo(
            f"  {step.number} {step.kind:<10} {fields} fields known before it ({step.origin})"
        )
    click.echo(f"  passes: {len(plan.passes)}; fields at the end: {', '.join(plan.known.fields)}")

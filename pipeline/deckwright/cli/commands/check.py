"""`deckwright check`: every fault of a job and of what it names; nothing is run."""

from __future__ import annotations

import os
import textwrap
from pathlib import Path

import click

from deckwright.cli.commands.run import named_files
from deckwright.cli.shared.paths import PATH
from deckwright.cli.shared.terminal import width
from deckwright.engine.closing.nextmasters import declared
from deckwright.engine.planning.personal import KEY_FILE, personal_notes
from deckwright.engine.planning.plan import Plan, load_plan
from deckwright.errors import ConfigError
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.service import load_service
from deckwright.service.config.nextmasters import lane_problems
from deckwright.wording import plural


def _check_service(path: Path, plan: Plan) -> None:
    """Check what the service file of the workspace, if the job lies in one, says of its masters.

    Raises:
        ConfigError: it expects another next master than the job delivers, or cannot be read.
    """
    place = Path(os.path.abspath(path)).parents[1] / "service.toml"  # noqa: PTH100 # links are kept
    if path.parent.name != "jobs" or not place.is_file():
        return
    wrong = lane_problems(load_service(place).job(plan.name), plan.files, declared(plan))
    if wrong:
        file = ConfigFile(place)
        keys = [("jobs", plan.name, key) for key in wrong]
        raise ConfigError([file.fault(key, f"{key[-1]}: {wrong[key[-1]]}") for key in keys])


@click.command(name="check")
@click.argument("job", type=PATH)
@click.option("--with", "replaced", multiple=True, metavar="NAME=PATH",
              help="Use another file in place of one that the job names.")  # fmt: skip
def command(job: Path, replaced: tuple[str, ...]) -> None:
    """Check JOB, its layouts, codes and named files; print the chain when all is well."""
    plan = load_plan(job, named_files(replaced))
    _check_service(job, plan)
    click.echo(f"{job}: {plan.spec.title}")
    for deck in plan.named:
        read = f", layout {deck.layout.name}" if deck.layout else ""
        lies = f", lies in file {deck.file}" if deck.file else ""
        click.echo(f"  deck {deck.name}: {deck.medium.kind} in {deck.medium.code.name}{read}{lies}")
    for step in plan.steps:
        fields = len(step.before.fields)
        known = plural(fields, "field") if fields else "no fields yet"
        own = step.origin.startswith("deckwright ")
        brought = "" if own else f" (from {step.origin})"
        click.echo(f"  {step.number} {step.kind:<10} knows {known}{brought}")
    passes = plural(len(plan.passes), "pass", "passes")
    for said in personal_notes(plan.steps, has_key=KEY_FILE in plan.files):
        click.echo(textwrap.fill(f"Note: {said}", width(), subsequent_indent="  "))
    click.echo(f"OK: {plural(len(plan.steps), 'stage')}, {passes}.")
    said = f"Fields at the end: {', '.join(plan.known.fields) or 'none'}."
    click.echo(textwrap.fill(said, width(), subsequent_indent="  "))
    given = [f"{deck.name}=DECK" for deck in plan.named if not deck.file]
    decks = " ".join(given) if plan.named else "DECK"
    click.echo(f"Next: deckwright run {job} {decks} --out DIR".replace("  ", " "))

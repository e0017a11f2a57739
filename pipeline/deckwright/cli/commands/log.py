"""`deckwright log`: what happened in a workspace or in one run, for people."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from deckwright.cli.shared.archived import readable_run
from deckwright.cli.shared.completing import complete_jobs
from deckwright.cli.shared.listing import STATE
from deckwright.cli.shared.paths import PATH
from deckwright.errors import ConfigError
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.operate.finding import UnclearError, find, listed
from deckwright.service.operate.reading import LEVELS, LogReader, Wanted
from deckwright.service.outward.telling import words_of
from deckwright.service.system.places import RUN, Workspace, shown
from deckwright.service.system.standing import expect_workspace

RUN_LOG = "log.jsonl"
_POLL_S = 0.3
_COLOURS = {"warning": "yellow", "error": "red"}
_GOOD = frozenset({"run_done", "delivered", "service_ready", "run_finished"})
_SMALL = frozenset({"card_moved", "card_matched", "card_changed"})
"""What happens to every sound card too; told only where debug or a card is asked for."""

Event = dict[str, Any]


@click.command(name="log")
@click.argument("place", metavar="DIR_OR_RUN", type=PATH)
@click.argument("name", required=False)
@click.option("--follow", is_flag=True, help="Go on with what happens, until Ctrl-C.")
@click.option("--job", default="", metavar="JOB", shell_complete=complete_jobs,
              help="Only this job.")  # fmt: skip
@click.option("--deck", default="", metavar="DECK", help="Only decks of this name.")
@STATE
@click.option("--level", type=click.Choice(LEVELS), default="info", show_default=True,
              help="The least weight that is shown.")  # fmt: skip
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
              help="Only this day (UTC).")  # fmt: skip
@click.option("--card", type=click.IntRange(1), metavar="N",
              help="Of one run: only what happened to card N of the run.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="The lines as they are logged.")
def command(
    place: Path, name: str | None, job: str, deck: str, state: tuple[str, ...], level: str,
    day: object, card: int | None, *, follow: bool, as_json: bool,
) -> None:  # fmt: skip
    """Tell what happened in the workspace DIR, or in one run folder RUN.

    A line tells time (UTC), job, deck and what happened. With NAME, a deck or the beginning of a
    run's name, it tells the history of that deck, and then the log of its run folder.
    """
    say = _Say(as_json=as_json)
    with readable_run(place) as home:
        for folder in (home, home / RUN):
            if (folder / RUN_LOG).is_file():
                say.all(_run_events(folder, level, card))
                return
    workspace = Workspace(place.resolve())
    expect_workspace(workspace)
    date = str(day)[:10] if day else ""
    runs = _runs(workspace, name, state)
    least = "debug" if name and level == "info" else level
    reader = LogReader(workspace, Wanted(runs, job, deck, least, date))
    if card is None:
        say.all(reader.read())
    for run in sorted(runs) if name else ():
        with readable_run(workspace.done / run / RUN) as folder:
            if (folder / RUN_LOG).is_file():
                say.head(f"the run itself, done/{run}/{RUN}:")
                say.all(_run_events(folder, level, card))
    while follow:
        time.sleep(_POLL_S)
        say.all(reader.read())


def _runs(workspace: Workspace, name: str | None, states: tuple[str, ...]) -> frozenset[str]:
    if not name and not states:
        return frozenset()
    spec = ServiceSpec()
    try:
        spec = load_service(workspace.service_file)
    except ConfigError as error:
        click.echo(f"deckwright: {error}", err=True)
    found = find(workspace, spec, name) if name else listed(workspace, states=states)
    runs = frozenset(each.run for each in found if each.run)
    if name and not runs:
        raise UnclearError(name, [])
    # a run that is nobody's, so that no run fits where none is in that state
    return runs or frozenset({"none"})


def _run_events(folder: Path, level: str, card: int | None) -> Iterator[Event]:
    """Yield the events of a run folder; of sound cards only where debug or a card is asked for."""
    with (folder / RUN_LOG).open("rb") as file:
        for line in file:
            event = json.loads(line)
            if card is not None:
                if event.get("card") == card:
                    yield event
            elif level == "debug" or event["event"] not in _SMALL:
                yield event


class _Say:
    """Prints events: aligned for people, in colours on a terminal."""

    def __init__(self, *, as_json: bool) -> None:
        self._json = as_json
        self._colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")

    def all(self, events: Iterator[Event] | list[Event]) -> None:
        for event in events:
            click.echo(json.dumps(event) if self._json else self._line(event))
        sys.stdout.flush()

    def head(self, text: str) -> None:
        if not self._json:
            click.echo(shown(text))

    def _line(self, event: Event) -> str:
        when = str(event.get("time", ""))[:19].replace("T", " ")
        who = [str(event[key]) for key in ("job", "deck") if isinstance(event.get(key), str)]
        if event.get("time") is None:
            who = self._of_run(event)
        colour = _COLOURS.get(str(event.get("level")))
        colour = "green" if not colour and event.get("event") in _GOOD else colour
        said = words_of(event)
        if self._colour and colour:
            said = click.style(said, fg=colour)
        parts = [shown(part) for part in (when, *who) if part]
        return "  ".join([*parts, said])

    @staticmethod
    def _of_run(event: Event) -> list[str]:
        """Return where in the chain and on which card an event of a run folder was."""
        who = []
        if "stage" in event:
            who.append(f"{event['stage']} {event.get('kind', '')}".strip())
        if "card" in event:
            deck = f" of {event['deck']}" if event.get("deck") else ""
            who.append(f"card {event.get('card_in_deck', event['card']):,}{deck}")
        return who

"""log.jsonl: the run told as JSON lines; the same bytes on every run of the same cards."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from deckwright.journal.events import events
from deckwright.journal.reader import Event, Journal

_FIRST = ("event", "level", "stage", "kind", "deck", "card_in_deck", "card")
"""How a line begins: what happened, where in the chain, to which card."""

_NO_LEVEL: Event = {}
_as_json = json.JSONEncoder().encode


def write_log(run: Path, control: Mapping[str, Any], journal: Journal | None) -> None:
    """Write log.jsonl: run and stage events with counts, then every card's from a journal, if any.

    No event carries a time, a host or a process, so that a repeated run gives the same log; the
    service keeps the times.
    """
    with (run / "log.jsonl").open("w", encoding="utf-8", newline="\n") as file:
        for event in _events(control, journal):
            file.write(_as_json(event) + "\n")


def card_events(
    journal: Journal, found: Iterable[Event], level: Event = _NO_LEVEL
) -> Iterator[Event]:
    """Yield events of cards as the log tells them; level: said of each.

    Each has the kind of its stage, and deck and card of the deck also where there is one deck only.
    """
    decks = journal.index["decks"]
    alone = decks[0] if len(decks) == 1 else None
    kinds = {number: stage["kind"] for number, stage in journal.stages.items()}
    for event in found:
        if alone and event["card"] <= alone["cards"]:  # no deck has an added card
            event["deck"], event["card_in_deck"] = alone["name"], event["card"]
        event.update(level)
        yield _ordered(event, kinds)


def _events(control: Mapping[str, Any], journal: Journal | None) -> Iterator[Event]:
    kinds = {stage["number"]: stage["kind"] for stage in control["stages"]}
    yield _event("run_started", job=control["job"], title=control["title"], decks=control["decks"])
    for stage in control["stages"]:
        facts = {name: value for name, value in stage.items() if value != ""}
        yield _ordered(_event("stage_finished", stage=facts.pop("number"), **facts), kinds)
    for reason in control["reasons"]:
        yield _ordered(_event("reason_counted", **reason), kinds)
    for fault in control["run_faults"]:
        yield _ordered(_event("run_faulted", **fault), kinds)
    if journal is not None:
        yield from card_events(journal, events(journal), {"level": "info"})
    for output in control["outputs"]:
        yield _event("output_written", **output)
    yield _event("run_finished", **control["equation"])


def _event(event: str, **facts: Any) -> Event:
    return {"event": event, "level": "info", **facts}


def _ordered(event: Event, kinds: Mapping[int, str]) -> Event:
    """Return an event about a stage with its kind, what all such events have first."""
    event["kind"] = kinds[event["stage"]]
    told = {name: event[name] for name in _FIRST if name in event}
    told.update(event)
    return told

"""log.jsonl: the run told as JSON lines; the same bytes on every run of the same cards."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from deckwright.journal.events import events
from deckwright.journal.reader import Event, Journal

_FIRST = ("event", "level", "stage", "kind", "deck", "card_in_deck", "card")
"""How a line begins: what happened, where in the chain, to which card."""


def write_log(run: Path, control: Mapping[str, Any], *, record_log: bool) -> None:
    """Write log.jsonl: run and stage events with counts, then, if wanted, every card's events.

    No event carries a time, a host or a process, so that a repeated run gives the same log; the
    service keeps the times.
    """
    kinds = {stage["number"]: stage["kind"] for stage in control["stages"]}
    with (run / "log.jsonl").open("w", encoding="utf-8", newline="\n") as file:
        for event in _events(run, control, record_log=record_log):
            if "stage" in event:
                event["kind"] = kinds[event["stage"]]
            line = {name: event[name] for name in _FIRST if name in event} | event
            file.write(json.dumps(line) + "\n")


def _events(run: Path, control: Mapping[str, Any], *, record_log: bool) -> Iterator[Event]:
    yield _event("run_started", job=control["job"], title=control["title"], decks=control["decks"])
    for stage in control["stages"]:
        facts = {name: value for name, value in stage.items() if value != ""}
        yield _event("stage_finished", stage=facts.pop("number"), **facts)
    for reason in control["reasons"]:
        yield _event("reason_counted", **reason)
    for event in events(Journal(run)) if record_log else ():
        yield _in_deck(control["decks"], {"level": "info", **event})
    for output in control["outputs"]:
        yield _event("output_written", **output)
    yield _event("run_finished", **control["equation"])


def _event(event: str, **facts: Any) -> Event:
    return {"event": event, "level": "info", **facts}


def _in_deck(decks: list[dict[str, Any]], event: Event) -> Event:
    """Return an event with deck and card also where there is one deck only."""
    if len(decks) == 1 and event["card"] <= decks[0]["cards"]:  # no deck has an added card
        event |= {"deck": decks[0]["name"], "card_in_deck": event["card"]}
    return event

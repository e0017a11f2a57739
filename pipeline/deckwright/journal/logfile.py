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


def write_log(run: Path, control: Mapping[str, Any], *, record_log: bool) -> None:
    """Write log.jsonl: run and stage events with counts, then, if wanted, every card's events.

    No event carries a time, a host or a process, so that a repeated run gives the same log; the
    service keeps the times.
    """
    kinds = {stage["number"]: stage["kind"] for stage in control["stages"]}
    with (run / "log.jsonl").open("w", encoding="utf-8", newline="\n") as file:
        for event in _events(run, control, record_log=record_log):
            file.write(json.dumps(_ordered(event, kinds)) + "\n")


def card_events(journal: Journal, found: Iterable[Event]) -> Iterator[Event]:
    """Yield events of cards as the log tells them, but for their level.

    Each has the kind of its stage, and deck and card of the deck also where there is one deck only.
    """
    decks = journal.index["decks"]
    alone = decks[0] if len(decks) == 1 else None
    kinds = {number: stage["kind"] for number, stage in journal.stages.items()}
    for event in found:
        if alone and event["card"] <= alone["cards"]:  # no deck has an added card
            event |= {"deck": alone["name"], "card_in_deck": event["card"]}
        yield _ordered(event, kinds)


def _events(run: Path, control: Mapping[str, Any], *, record_log: bool) -> Iterator[Event]:
    yield _event("run_started", job=control["job"], title=control["title"], decks=control["decks"])
    for stage in control["stages"]:
        facts = {name: value for name, value in stage.items() if value != ""}
        yield _event("stage_finished", stage=facts.pop("number"), **facts)
    for reason in control["reasons"]:
        yield _event("reason_counted", **reason)
    journal = Journal(run) if record_log else None
    for event in card_events(journal, events(journal)) if journal else ():
        yield {"level": "info", **event}
    for output in control["outputs"]:
        yield _event("output_written", **output)
    yield _event("run_finished", **control["equation"])


def _event(event: str, **facts: Any) -> Event:
    return {"event": event, "level": "info", **facts}


def _ordered(event: Event, kinds: Mapping[int, str]) -> Event:
    told = event | {"kind": kinds[event["stage"]]} if "stage" in event else event
    return {name: told[name] for name in _FIRST if name in told} | told

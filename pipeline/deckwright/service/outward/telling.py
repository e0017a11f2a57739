"""Events in words, for people who read a log. Values are escaped; unknown events are spelt out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from deckwright.service.store.holds import held_because
from deckwright.service.system.places import shown
from deckwright.wording import found_value, plural

Event = Mapping[str, Any]

_HEAD = frozenset({"time", "level", "event", "run", "job", "deck"})


def words_of(event: Event) -> str:
    """Return what an event says, without its time, run, job and deck."""
    name = str(event.get("event", ""))
    try:
        found = _WORDS[name](event) if name in _WORDS else _spelt_out(event)
    except (KeyError, TypeError, ValueError):  # of another version of the program, or forged
        found = _spelt_out(event)
    return shown(found)


def _spelt_out(event: Event) -> str:
    pairs = [f"{key} {_value(value)}" for key, value in event.items() if key not in _HEAD]
    name = str(event.get("event", "")).replace("_", " ")
    return f"{name}: {', '.join(pairs)}" if pairs else name


def _value(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return "; ".join(map(str, value)) or "none"
    if isinstance(value, Mapping):
        return " ".join(f"{key} {inner}" for key, inner in value.items()) or "none"
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else str(value)


def _seconds(event: Event) -> str:
    stages = event.get("stages") or {}
    parts = [f"{name} {took:.2f} s" for name, took in stages.items()]
    return f"{event['seconds']:.2f} s" + (f" ({', '.join(parts)})" if parts else "")


def _taken(event: Event) -> str:
    waited = ""
    if event.get("dropped_at") and event.get("taken_at"):
        begin, end = (datetime.fromisoformat(event[key]) for key in ("dropped_at", "taken_at"))
        waited = f"dropped {event['dropped_at'][11:19]}, settled in {(end - begin).seconds:,} s, "
    follows = f"; repairs {event['follows']}" if event.get("follows") else ""
    return f"taken: {waited}{event['bytes']:,} bytes{follows}{_cut(event)}"


def _cut(event: Event) -> str:
    """Say that a deck may be a part of one."""
    goes_on = f"; seems to be the rest of {event['continues']}" if event.get("continues") else ""
    return goes_on + ("; its last line has no line end" if event.get("open_end") else "")


def _done(event: Event) -> str:
    counts = [f"{plural(event['in'], 'card')} in", f"{event['out']:,} delivered"]
    counts += [f"{event['returned']:,} came back"] if event.get("returned") else []
    counts += [f"{event['set_aside']:,} left out"] if event.get("set_aside") else []
    again = f"; repairs {event['follows']}" if event.get("follows") else ""
    in_time = f" in {_seconds(event)}" if "seconds" in event else ""
    return f"done{in_time}: {', '.join(counts)}{again}{_cut(event)}"


def _failed(event: Event) -> str:
    where = f" in {event['stage']}" if event.get("stage") else ""
    took = f" after {_seconds(event)}" if "seconds" in event else ""
    return f"try {event['number']:,} failed{where}{took}: {event['outcome']}, {event['code']}"


def _returned(event: Event) -> str:
    place = [str(event["stage"])] if event.get("stage") else []
    place += [f"card {event['card']:,}"] if event.get("card") else []
    where = f" ({', '.join(place)})" if place else ""
    return f"returned: {event['code']}{where}"


def _health(event: Event) -> str:
    reasons = event["reasons"]
    return f"needs a look: {'; '.join(map(str, reasons))}" if reasons else "all is well"


def _card(verb: str) -> Callable[[Event], str]:
    def say(event: Event) -> str:
        parts = [verb]
        if event.get("field"):
            parts.append(f"field {event['field']}")
        if event.get("column"):
            parts.append(f"column {event['column']}")
        elif event.get("first"):
            same = event.get("last") in {None, event["first"]}
            parts.append(f"columns {event['first']}" + ("" if same else f" to {event['last']}"))
        said = " ".join(parts)
        found = f" (found {event['found']!r})" if event.get("found") is not None else ""
        why = event.get("detail") or event.get("reason") or ""
        return f"{said}: {why}{found}" if why else f"{said}{found}"

    return say


def _run_started(event: Event) -> str:
    """Return what a service tells of a try, or a run of its decks."""
    if "number" in event:
        return f"try {event['number']:,} begins"
    decks = [f"{deck['name']} ({plural(deck['cards'], 'card')})" for deck in event["decks"]]
    return f"begins: {', '.join(decks)}"


def _stage_finished(event: Event) -> str:
    counts = [f"{event[key]:,} {word}" for key, word in _COUNTS if event.get(key)]
    return f"finished: {', '.join(counts) or 'no cards'}"


def _changed(event: Event) -> str:
    fields = event["fields"].items()
    parts = [
        f"{name} {found_value(v.get('before'))} -> {found_value(v.get('after'))}"
        for name, v in fields
    ]
    return f"changed: {', '.join(parts)}"


_COUNTS = (("in", "in"), ("added", "added"), ("out", "out"), ("returned", "came back"),
           ("set_aside", "left out"), ("queries", "queries"), ("notes", "notes"))  # fmt: skip

_WORDS: dict[str, Callable[[Event], str]] = {
    # the service
    "service_ready": lambda e: f"the service is ready; jobs: {_value(e['jobs'])}",
    "service_stopping": lambda e: f"the service stops; {len(e['running']):,} running",
    "service_ended": lambda _: "the service has ended",
    "recovered": lambda e: f"started: {plural(e['waiting'], 'deck')} from before",
    "health": _health,
    "deck_taken": _taken,
    "run_started": _run_started,
    "run_done": _done,
    "run_failed": _failed,
    "deck_returned": _returned,
    "deck_continued": lambda e: f"ended inside a line; {e['by']} seems to be the rest of it",
    "deck_repaired": lambda e: f"repaired by {e['by']}",
    "deck_held": lambda _: "held by an operator",
    "deck_resumed": lambda _: "goes on",
    "deck_requeued": lambda e: f"run again; before it was {e['again']}",
    "master_restored": lambda e: (
        f"the master {e['lane']} is as generation {e['of']} was; now generation {e['generation']}"
    ),
    "deck_back_in_inbox": lambda _: "bytes came after it was taken; it is back in the inbox",
    "deck_unsettled": lambda e: f"inbox/{e['place']} {e['why']}",
    "stray_seen": lambda e: f"not taken: inbox/{e['place']} {e['why']}",
    "delivered": lambda e: f"{plural(e['files'], 'copy', 'copies')} delivered to {e['to']}",
    "delivery_failed": lambda e: f"copies not made: {e['why']}",
    "delivery_waits": lambda e: f"copies wait: {e['why']}",
    "job_held": lambda e: held_because(str(e["why"])),
    "job_resumed": lambda _: "the job goes on",
    "run_waits": lambda e: f"waits: {e['error']}",
    "no_room": lambda e: f"no room: {e['error']}",
    "intake_paused": lambda e: f"no decks are taken: {e['why']}",
    "intake_resumed": lambda _: "decks are taken again",
    "log_lines_lost": lambda e: f"lost of this log: {plural(e['count'], 'line')}",
    # a run
    "stage_finished": _stage_finished,
    "reason_counted": lambda e: f"{plural(e['cards'], 'card')}: {e.get('detail') or e['reason']}",
    "run_faulted": lambda e: f"the run as a whole: {e['detail']}",
    "card_failed": _card("failed"),
    "card_queried": _card("query"),
    "card_noted": _card("note"),
    "card_returned": _card("returned"),
    "card_set_aside": _card("left out"),
    "card_added": lambda _: "added",
    "card_moved": lambda e: f"moved to place {e['place']:,}",
    "card_matched": lambda e: f"met master record {e['record']}",
    "card_changed": _changed,
    "output_written": lambda e: f"wrote {e['file']}: {plural(e['rows'], 'row')}",
    "run_finished": lambda e: (
        f"{plural(e['in'], 'card')} in, {e['out']:,} delivered, {e['returned']:,} "
        f"came back, {e['set_aside']:,} left out"
    ),
}

"""What happened to one card, in one line a stage."""

from __future__ import annotations

from deckwright.journal.events import events
from deckwright.journal.reader import Event, Journal
from deckwright.wording import found_value


def trace(journal: Journal, card: int) -> list[str]:
    """Return the history of a card: a heading, then a line for each stage that it came to.

    Raises:
        NoSuchCardError: the run has no such card.
    """
    deck, place = journal.deck_of(card)
    by_stage: dict[int, list[Event]] = {}
    for event in events(journal, card=card):
        by_stage.setdefault(event["stage"], []).append(event)
    came = f"{deck}, card {place}" if deck else "added by a stage"
    lines = [f"card {card} ({came})"]
    for number, stage in sorted(journal.stages.items()):
        found = by_stage.get(number, [])
        if not deck and len(lines) == 1 and not found:
            continue
        said = "; ".join(_say(event) for event in found) or "unchanged"
        lines.append(f"  {number} {stage['kind']:<10} {said}")
        if any(event["event"] in {"card_returned", "card_set_aside"} for event in found):
            break
    return lines


def _say(event: Event) -> str:
    kind = event["event"]
    if kind == "card_moved":
        return f"now in place {event['place']:,}"
    if kind == "card_matched":
        return f"met master record {event['record']:,}"
    if kind == "card_changed":
        return ", ".join(_change(name, change) for name, change in event["fields"].items())
    if kind in {"card_returned", "card_set_aside", "card_added"}:
        reason = f" ({event['reason']})" if "reason" in event else ""
        return str(kind).removeprefix("card_").replace("_", " ") + reason
    where = event.get("field", "card")
    if "first" in event:
        exact = event.get("column")
        where += f" in column {exact}" if exact else f" in columns {event['first']}-{event['last']}"
    found = f", found {event['found']!r}" if "found" in event else ""
    verb = {"card_failed": "failed", "card_queried": "queried", "card_noted": "noted"}[kind]
    return f"{verb} {event['reason']}: {where}{found}; {event.get('detail', '')}".removesuffix("; ")


def _change(name: str, change: object) -> str:
    assert isinstance(change, dict)  # noqa: S101 # as events makes it
    if "before" in change:
        before, after = found_value(change["before"]), found_value(change["after"])
        return f"{name} {before} -> {after}"
    return f"{name} added {found_value(change['after'])}"

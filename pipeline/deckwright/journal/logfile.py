"""log.jsonl: the run told as JSON lines; the same bytes on every run of the same cards."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TextIO

from deckwright.journal.events import events
from deckwright.journal.reader import Journal


def write_log(run: Path, control: Mapping[str, Any], *, record_log: bool) -> None:
    """Write log.jsonl: run and stage events with counts, then, if wanted, every card's events.

    No event carries a time, a host or a process, so that a repeated run gives the same log; the
    service keeps the times.
    """
    with (run / "log.jsonl").open("w", encoding="utf-8", newline="\n") as file:
        _tell(file, "run_started", {name: control[name] for name in ("job", "title", "decks")})
        for stage in control["stages"]:
            facts = {name: value for name, value in stage.items() if value != ""}
            _tell(file, "stage_finished", facts)
        for reason in control["reasons"]:
            _tell(file, "reason_counted", reason)
        if record_log:
            for event in events(Journal(run)):
                _tell(file, event.pop("event"), event)
        for output in control["outputs"]:
            _tell(file, "output_written", output)
        _tell(file, "run_finished", control["equation"])


def _tell(file: TextIO, event: str, facts: Mapping[str, Any]) -> None:
    """Write a line: the facts, then what happened."""
    file.write(json.dumps({**facts, "event": event, "level": "info"}) + "\n")

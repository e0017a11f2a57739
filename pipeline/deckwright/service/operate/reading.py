"""Reading the log of a workspace, as one stream by time: histories of runs, and the log file."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from deckwright.service.system.fs import names_in
from deckwright.service.system.places import Workspace

Event = dict[str, Any]
"""A line of a log: `time`, `level`, `event` and facts."""

LEVELS = ("debug", "info", "warning", "error")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which events are wanted; what is left empty wants all.

    runs: of these runs. level: the least weight. day: in UTC, such as `2031-05-06`.
    """

    runs: frozenset[str] = frozenset()
    job: str = ""
    deck: str = ""
    level: str = "debug"
    day: str = ""

    def fits(self, event: Event) -> bool:
        """Tell whether an event is wanted."""
        level = event.get("level")
        return (
            (not self.runs or event.get("run") in self.runs)
            and (not self.job or event.get("job") == self.job)
            and (not self.deck or event.get("deck") == self.deck)
            and (level not in LEVELS or LEVELS.index(level) >= LEVELS.index(self.level))
            and (not self.day or str(event.get("time", "")).startswith(self.day))
        )


@dataclass(slots=True)
class LogReader:
    """Reads what was logged, and goes on from there at each call.

    Events of runs come from the histories, which lose none of them; all others from the log file.
    """

    workspace: Workspace
    wanted: Wanted
    _read: dict[int, int] = field(default_factory=dict)

    def read(self) -> list[Event]:
        """Return the wanted events that are new, by time. Lines that are none are passed over."""
        found = [
            event
            for name in self._names()
            for event in self._lines(self.workspace.log / name)
            if bool(event.get("run")) == name.startswith("history-") and self.wanted.fits(event)
        ]
        return sorted(found, key=lambda event: str(event.get("time", "")))

    def _names(self) -> list[str]:
        names = sorted(names_in(self.workspace.log))
        day = self.wanted.day
        return [
            name
            for name in names
            if name.endswith(".jsonl")
            and (not (day and name.startswith("history-")) or name == f"history-{day}.jsonl")
        ]

    def _lines(self, path: Path) -> Iterator[Event]:
        """Yield the events of the whole lines that were appended to a file since the last call."""
        with contextlib.suppress(OSError), path.open("rb") as file:
            key = path.stat().st_ino  # which a file keeps when it is put aside
            file.seek(self._read.get(key, 0))
            for line in file:
                if not line.endswith(b"\n"):
                    break
                self._read[key] = self._read.get(key, 0) + len(line)
                with contextlib.suppress(ValueError, RecursionError):
                    event = json.loads(line)
                    if isinstance(event, dict):
                        yield event

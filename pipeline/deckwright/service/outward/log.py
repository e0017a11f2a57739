"""The log of the service: JSON lines, or plain lines on a terminal; it never stops the service.

Events have constant names, facts are values. Whatever the values hold, a line stays one line, and
a terminal finds nothing in it to obey. Values never hold card contents: nobody passes them.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import select
import sys
from collections.abc import Callable, Mapping, MutableMapping
from pathlib import PurePath
from typing import Any, TextIO

import structlog

from deckwright.errors import ConfigError
from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.outward.logfiles import LogFiles
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import Workspace, shown

LEVELS = {
    "run_started": "debug",
    "deck_continued": "warning",
    "deck_returned": "warning",
    "delivery_waits": "warning",
    "fetch_problem": "warning",
    "file_system": "warning",
    "health": "warning",
    "intake_paused": "warning",
    "late_bytes": "warning",
    "ledger_rebuilt": "warning",
    "log_lines_lost": "warning",
    "master_waits": "warning",
    "no_room": "warning",
    "notice_failed": "warning",
    "run_failed": "warning",
    "run_waits": "warning",
    "stray_seen": "warning",
    "config_refused": "error",
    "job_held": "error",
    "job_refused": "error",
}
"""The weight of events; all others are `info`."""

_NUMBERS = {"debug": 10, "info": 20, "warning": 30, "error": 40}
_LONGEST = 2000
_MOST_ITEMS = 100
_LARGEST = 2**63
_WAIT_MS = 200
_CHUNK = 4096
"""Bytes that a pipe takes in one piece once it says that it is writable."""


class ServiceLog:
    """Takes events; called with the name of one and its facts."""

    def __init__(
        self, level: str, clock: Clock, stream: TextIO | None, files: LogFiles | None = None
    ) -> None:
        """Write to a stream and to files; None: there is nowhere to write to."""
        self._files = files
        self._lines = _Lines(stream, self._lost)
        self._clock = clock
        with contextlib.suppress(ValueError, OSError):
            self._plain = stream is not None and stream.isatty()
        self.set_level(level)

    _plain = False

    def set_level(self, level: str) -> None:
        """Show events of this weight and above: `debug`, `info`, `warning` or `error`."""
        self._logger = structlog.wrap_logger(
            self._lines,
            processors=[self._render],
            wrapper_class=structlog.make_filtering_bound_logger(_NUMBERS[level]),
            context_class=dict,
        ).bind()

    def __call__(self, event: str, **facts: object) -> None:
        """Log an event. Never raises."""
        level = LEVELS.get(event, "info")
        if event == "health" and not facts.get("reasons"):
            level = "info"
        now, values = self._clock.now(), _values(facts)
        line = _json(now, level, event, values)  # once, for the stream, the file and the history
        getattr(self._logger, level)(event, now=now, values=values, line=line)
        if self._files and facts.get("run"):
            self._files.history(now[:10], line)

    def close(self) -> None:
        """Close the files."""
        if self._files:
            self._files.close()

    def _lost(self, count: int) -> str:
        now, values = self._clock.now(), {"count": count}
        line = _json(now, "warning", "log_lines_lost", values)
        return self._line("warning", "log_lines_lost", now, values, line)

    def _render(self, _: object, level: str, found: MutableMapping[str, Any]) -> str:
        return self._line(level, found["event"], found["now"], found["values"], found["line"])

    def _line(
        self, level: str, event: str, now: str, values: Mapping[str, object], line: str
    ) -> str:
        """Put a line into the log file; return how the stream has it."""
        if self._files:
            lost, self._files.lost = self._files.lost, 0
            if lost:
                self._files.log(_json(now, "warning", "log_lines_lost", {"count": lost}))
            self._files.log(line)
        if self._plain:
            pairs = "".join(f"  {key}={_quoted(value)}" for key, value in values.items())
            return f"{_text(now[:19])}Z {level:<7} {_text(event)}{pairs}"
        return line


def service_log(
    workspace: Workspace, clock: Clock | None = None, stream: TextIO | None = None
) -> ServiceLog:
    """Return the log on the standard output and in the workspace, as the service file asks for.

    A service file with faults is not this log's business; the level is then that of its default.
    """
    spec = ServiceSpec()
    with contextlib.suppress(ConfigError):
        spec = load_service(workspace.service_file)
    files = LogFiles(workspace.log, parse_size(spec.log_size), spec.log_files)
    return ServiceLog(spec.log_level, clock or Clock(), stream or sys.stdout, files)


def _values(facts: Mapping[str, object]) -> dict[str, object]:
    return {_text(key): _value(value) for key, value in facts.items()}


def _json(now: str, level: str, event: str, values: Mapping[str, object]) -> str:
    head = {"time": now, "level": level, "event": event}
    return json.dumps({**head, **values, **head})


def _value(value: object, depth: int = 0) -> object:
    """Return a value as JSON can hold it; of what is no plain value, the name of its type."""
    if isinstance(value, (str, bytes, PurePath)):
        return _text(str(value) if isinstance(value, PurePath) else value)
    if isinstance(value, Mapping) and not depth:
        return {_text(str(key)): _value(inner, 1) for key, inner in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)) and not depth:
        return [_value(inner, 1) for inner in list(value)[:_MOST_ITEMS]]
    plain = (
        value is None
        or isinstance(value, bool)
        or (isinstance(value, int) and abs(value) < _LARGEST)
        or (isinstance(value, float) and math.isfinite(value))
    )
    return value if plain else type(value).__name__


def _text(text: str | bytes) -> str:
    """Return a text with everything escaped that is not printed; what is escaped stays as it is."""
    whole = shown(text[: 2 * _LONGEST]).replace("\\\\", "\\")
    return whole if len(whole) <= _LONGEST else f"{whole[:_LONGEST]} ..."


def _quoted(value: object) -> str:
    """Return a value for people; texts that could be taken for more than one stand in quotes."""
    if isinstance(value, str) and value and not set(value) & set(" =\"'[]{},"):
        return value
    return json.dumps(value, ensure_ascii=False)


class _Lines:
    """Writes whole lines; counts those that the reader does not take, and neither waits nor raises.

    It writes to the descriptor itself, since a buffer would keep and repeat what a full disk or a
    sleeping reader did not take.
    """

    def __init__(self, stream: TextIO | None, words: Callable[[int], str]) -> None:
        """Write to a stream. words: returns the line that tells how many lines were lost."""
        self._stream, self._words = stream, words
        self._encoding = getattr(stream, "encoding", None) or "utf-8"
        self._descriptor: int | None = None
        self._torn = False
        self._lost = 0
        if stream is not None:
            with contextlib.suppress(OSError, ValueError):
                self._descriptor = stream.fileno()

    def _write(self, line: str) -> bool:
        """Write a line; return whether it is out, whole."""
        try:
            if self._descriptor is not None:
                return self._put(self._descriptor, line)
            if self._stream is not None:
                self._stream.write(f"{line}\n")
                self._stream.flush()
        except (OSError, ValueError):
            return False
        return True

    def _put(self, descriptor: int, line: str) -> bool:
        text = f"\n{line}\n" if self._torn else f"{line}\n"
        data = memoryview(text.encode(self._encoding, "backslashreplace"))
        poll = select.poll()
        poll.register(descriptor, select.POLLOUT)
        while data:
            # once it was waited for in vain, lines are dropped until the reader reads again
            if not poll.poll(0 if self._lost else _WAIT_MS):
                return False
            written = os.write(descriptor, data[:_CHUNK])
            data = data[written:]
            self._torn = bool(data)
        return True

    def _log(self, line: str) -> None:
        """Write a line, and before it how many are missing there."""
        if self._lost and self._write(self._words(self._lost)):
            self._lost = 0
        if self._lost or not self._write(line):
            self._lost += 1

    debug = info = warning = error = _log

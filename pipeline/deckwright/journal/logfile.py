"""log.jsonl: the run told as JSON lines; the same bytes on every run of the same cards."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import structlog

from deckwright.journal.events import events
from deckwright.journal.reader import Journal


def write_log(run: Path, control: Mapping[str, Any], *, record_log: bool) -> None:
    """Write log.jsonl: run and stage events with counts, then, if wanted, every card's events.

    No event carries a time, a host or a process, so that a repeated run gives the same log; the
    service keeps the times.
    """
    with (run / "log.jsonl").open("w", encoding="utf-8", newline="\n") as file:
        log = _logger(file)
        log.info("run_started", job=control["job"], title=control["title"], decks=control["decks"])
        for stage in control["stages"]:
            log.info(
                "stage_finished", **{name: value for name, value in stage.items() if value != ""}
            )
        for reason in control["reasons"]:
            log.info("reason_counted", **reason)
        if record_log:
            for event in events(Journal(run)):
                log.info(event.pop("event"), **event)
        for output in control["outputs"]:
            log.info("output_written", **output)
        log.info("run_finished", **control["equation"])


def _logger(file: io.TextIOWrapper) -> structlog.typing.FilteringBoundLogger:
    logger: structlog.typing.FilteringBoundLogger = structlog.wrap_logger(
        structlog.WriteLogger(file),
        processors=[structlog.processors.add_log_level, structlog.processors.JSONRenderer()],
        wrapper_class=structlog.make_filtering_bound_logger("info"),
        cache_logger_on_first_use=False,
    )
    return logger

"""Figures of the service for monitors, in the OpenMetrics text form: a file, and an endpoint.

Counters begin anew with the service. No figure holds what stands on cards, or the name of a deck.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, ClassVar

from typing_extensions import override

from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace

if TYPE_CHECKING:
    from prometheus_client.metrics_core import Metric

FILE = "metrics.txt"
"""The file, in `control`."""

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
_CARDS = {"in": "in", "out": "delivered", "returned": "returned", "set_aside": "set-aside"}
_TIMEOUT_S = 10.0


@dataclass(slots=True)
class Figures:
    """What the service knows at one moment. decks: by state and job."""

    decks: Mapping[tuple[str, str], int]
    oldest_waiting_s: float
    free_bytes: int
    full: bool
    reasons: int
    strays: int
    held_jobs: int
    now_s: float


@dataclass(slots=True)
class Meter:
    """Counts what happens, from the events that the service tells."""

    started_s: float
    runs: Counter[tuple[str, str]] = field(default_factory=Counter)
    tries: Counter[tuple[str, str]] = field(default_factory=Counter)
    cards: Counter[tuple[str, str]] = field(default_factory=Counter)
    seconds: Counter[str] = field(default_factory=Counter)
    last_done_s: float = 0.0

    def hear(self, event: str, facts: Mapping[str, object], now: str) -> None:
        """Take an event into account. now: the time, ISO 8601."""
        job = str(facts.get("job", ""))
        if event == "run_done":
            self.runs["done", job] += 1
            self.tries["done", job] += 1
            self.last_done_s = datetime.fromisoformat(now).timestamp()
            for name, word in _CARDS.items():
                self.cards[word, job] += _whole(facts.get(name))
        elif event == "deck_returned":
            self.runs["returned", job] += 1
        elif event == "run_failed":
            self.tries[str(facts.get("outcome", "")), job] += 1
        seconds = facts.get("seconds")
        if event in {"run_done", "run_failed"} and isinstance(seconds, (int, float)):
            self.seconds[job] += seconds  # type: ignore[assignment] # a counter of seconds

    def text(self, figures: Figures) -> bytes:
        """Return everything in the text form."""
        # heavy, and only needed here
        from prometheus_client.openmetrics.exposition import generate_latest  # noqa: PLC0415
        from prometheus_client.registry import CollectorRegistry  # noqa: PLC0415

        registry = CollectorRegistry()
        registry.register(_Families(list(self._families(figures))))
        text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call] # as it is
        return text

    def _families(self, figures: Figures) -> Iterator[Metric]:
        from prometheus_client.metrics_core import (  # noqa: PLC0415 # as above
            CounterMetricFamily,
            GaugeMetricFamily,
        )

        decks = GaugeMetricFamily(
            "deckwright_decks", "Decks by state and job.", labels=["state", "job"]
        )
        for (state, job), count in sorted(figures.decks.items()):
            decks.add_metric([state, job], count)
        yield decks
        for name, words, what in (
            ("runs", "Decks that have ended, since the service began.", self.runs),
            ("tries", "Tries by outcome, since the service began.", self.tries),
            ("cards", "Cards of done runs, since the service began.", self.cards),
        ):
            family = CounterMetricFamily(f"deckwright_{name}", words, labels=["outcome", "job"])
            for (outcome, job), count in sorted(what.items()):
                family.add_metric([outcome, job], count, created=self.started_s)
            yield family
        spent = CounterMetricFamily(
            "deckwright_run_seconds", "Seconds that runs took.", labels=["job"], unit="seconds"
        )
        for job, seconds in sorted(self.seconds.items()):
            spent.add_metric([job], seconds, created=self.started_s)
        yield spent
        for name, words, value, unit in (
            ("oldest_waiting", "Its age, 0 = none.", figures.oldest_waiting_s, "seconds"),
            ("free", "Free space on the disk of the workspace.", figures.free_bytes, "bytes"),
            ("full", "1 while no decks are taken for lack of room.", int(figures.full), ""),
            ("needs_a_look", "Reasons why the service needs a look.", figures.reasons, ""),
            ("strays", "Things in the inbox that are not taken.", figures.strays, ""),
            ("held_jobs", "Jobs that are held.", figures.held_jobs, ""),
            ("last_done_timestamp", "The last done run, 0 = none.", self.last_done_s, "seconds"),
            ("started_timestamp", "When the service began.", self.started_s, "seconds"),
            ("written_timestamp", "When these figures were taken.", figures.now_s, "seconds"),
        ):  # fmt: skip
            yield GaugeMetricFamily(f"deckwright_{name}", words, value=value, unit=unit)


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0


class _Families:
    def __init__(self, families: list[Metric]) -> None:
        self.families = families

    def collect(self) -> list[Metric]:
        return self.families


def write_metrics(workspace: Workspace, fs: Fs, text: bytes) -> None:
    """Replace the file. It is a hint, so it is not flushed."""
    aside = workspace.control / "metrics.tmp"
    if os.path.lexists(aside):
        fs.unlink(aside)
    fs.write_hint(aside, text)
    fs.replace(aside, workspace.control / FILE)


class Endpoint:
    """Gives the last figures to whoever asks for `/metrics` on this machine, in threads of its own.

    It only hands on bytes; the service itself goes on in its one thread.
    """

    def __init__(self, port: int) -> None:
        """Listen on the loopback address.

        Raises:
            OSError: the port is in use, or may not be used.
        """
        self.text = b""
        endpoint = self

        class Handler(BaseHTTPRequestHandler):
            timeout: ClassVar[float | None] = _TIMEOUT_S

            def do_GET(self) -> None:  # as the library asks
                """Answer."""
                right = self.path.partition("?")[0] == "/metrics"
                body = endpoint.text if right else b"ask for /metrics\n"
                self.send_response(200 if right else 404)
                self.send_header("Content-Type", CONTENT_TYPE if right else "text/plain")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            @override
            def log_message(self, format: str, *args: object) -> None:
                """Say nothing; the log is the service's."""

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    @property
    def port(self) -> int:
        """Return the port."""
        return int(self._server.server_address[1])

    def close(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._server.server_close()

"""What the service keeps for those who look: `index.html`, the links by name, the metrics.

All of it are hints, written anew when something has changed; whatever goes wrong with it is
passed over, and nothing is decided from it.
"""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime

from deckwright.report.html import page
from deckwright.service.outward.byname import link, link_missing
from deckwright.service.outward.codewords import meaning
from deckwright.service.outward.lying import Inboxes
from deckwright.service.outward.metrics import Endpoint, Figures, Meter, write_metrics
from deckwright.service.outward.state import State
from deckwright.service.setup import Setup
from deckwright.service.store.ledger import LedgerError
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import Workspace, shown

PAGE = "index.html"
_LATEST = 200
_ENDED = frozenset({"run_done", "deck_returned"})


class Board:
    """Keeps them."""

    def __init__(self, setup: Setup, clock: Clock) -> None:
        """Link what has no link yet, and open the endpoint where one is asked for."""
        self._setup, self._clock = setup, clock
        self._began = _seconds(clock.now())
        self._meter = Meter(self._began)
        self._decks: Counter[tuple[str, str]] = Counter()
        self._changed, self._shown = True, ""
        self._endpoint: Endpoint | None = None
        self.problem = ""
        """Why there is no endpoint; empty when there is, or none is wanted."""
        ledger = setup.spool.ledger
        for state, job, count in ledger.jobs_by_state("done", "returned"):
            self._decks[state, job] = count
        with contextlib.suppress(OSError):
            rows = ledger.rows("done", "returned")
            link_missing(setup.workspace, setup.tools.fs, rows)
        port = setup.spec.metrics_port
        if port:
            try:
                self._endpoint = Endpoint(port)
            except OSError as error:
                what = (error.strerror or str(error)).lower()
                self.problem = f"no metrics on port {port}: {what}"

    def hear(self, event: str, facts: Mapping[str, object]) -> None:
        """Take an event into account."""
        self._changed = True
        self._meter.hear(event, facts, self._clock.now())
        if event not in _ENDED:
            return
        state = "done" if event == "run_done" else "returned"
        self._decks[state, str(facts["job"])] += 1
        with contextlib.suppress(OSError, LedgerError):
            row = self._setup.spool.ledger.row(str(facts["run"]))
            if row is not None:
                link(self._setup.workspace, self._setup.tools.fs, row)

    def show(self, state: State, in_inbox: Mapping[str, int], free: int) -> None:
        """Write metrics and page. state: what the service tells of itself; free: bytes."""
        with contextlib.suppress(OSError):
            self._show_metrics(state, in_inbox, free)
        strays = [(each.place, each.why) for each in state.strays[:_LATEST]]
        facts = f"{state.health}{[each.run for each in state.running]}{dict(in_inbox)}{strays}"
        if self._changed or facts != self._shown:
            with contextlib.suppress(OSError, LedgerError):
                self._show_page(state, sum(in_inbox.values()))
                self._changed, self._shown = False, facts

    def close(self) -> None:
        """Close the endpoint."""
        if self._endpoint:
            self._endpoint.close()

    def _show_metrics(self, state: State, in_inbox: Mapping[str, int], free: int) -> None:
        decks = Counter(self._decks)
        decks.update({("inbox", job): count for job, count in in_inbox.items()})
        now = self._clock.now()
        taken = [item.claim.taken_at for item in self._setup.runs.open.values() if not item.runs]
        for item in self._setup.runs.open.values():
            decks["running" if item.runs else "waiting", item.claim.job] += 1
        for kind, job, count in self._setup.spool.ledger.jobs_by_state("hold"):
            decks["held" if kind == "hold" else kind, job] += count
        for job in self._setup.takings:
            for kind in ("inbox", "waiting", "running", "held", "done", "returned"):
                decks[kind, job] += 0
        oldest = max(0.0, _seconds(now) - min(map(_seconds, taken))) if taken else 0.0
        held = len(self._setup.runs.holds.all())
        figures = Figures(
            decks, oldest, free, bool(state.paused), len(state.health), state.strays_in_all, held,
            _seconds(now),
        )  # fmt: skip
        text = self._meter.text(figures)
        write_metrics(self._setup.workspace, self._setup.tools.fs, text)
        if self._endpoint:
            self._endpoint.text = text

    def _show_page(self, state: State, in_inbox: int) -> None:
        ledger, fs, root = self._setup.spool.ledger, self._setup.tools.fs, self._setup.workspace
        held = self._setup.runs.holds.all()
        counts = {
            kind: sum(n for (each, _), n in self._decks.items() if each == kind)
            for kind in ("done", "returned")
        }
        now = self._clock.now()
        inboxes = Inboxes(root.inbox, self._setup.spec, self._setup.routes, held, state)
        lying = inboxes.lying(_LATEST, _seconds(now))
        listed = {each.place for each in lying}
        made = page(
            "workspace.html",
            "Workspace",
            shown(root.root.name),
            at=_minute(now),
            most=_LATEST,
            counts=counts,
            reasons=state.health,
            inbox=[
                {"deck": each.place, "job": each.job, "why": each.why, "since": _iso(each.since)}
                for each in lying
            ],
            in_inbox=max(in_inbox, len(lying)),
            strays=[
                (each.place, each.why)
                for each in state.strays[:_LATEST]
                if each.place not in listed
            ],
            waiting=[
                {**_line(row, root), "why": held.get(row.job, row.code)}
                for row in ledger.rows("waiting", "running", "hold")
            ],
            done=[_line(row, root) for row in ledger.latest("done", _LATEST)],
            returned=[_line(row, root) for row in ledger.latest("returned", _LATEST)],
        )
        aside = root.control / "index.tmp"
        if os.path.lexists(aside):
            fs.unlink(aside)
        fs.write_hint(aside, made.encode())
        fs.replace(aside, root.root / PAGE)


def _line(row: Row, root: Workspace) -> dict[str, object]:
    return {
        "deck": shown(row.name),
        "job": row.job,
        "why": row.code,
        "says": meaning(row.code) or "see the file",
        "state": "held" if row.state == "hold" else row.state,
        "folder": f"{row.state}/{row.run}" if (root.root / row.state / row.run).is_dir() else "",
        "cards": row.cards,
        "back": row.cards_returned,
        "taken": _minute(row.taken_at),
        "ended": _minute(row.ended_at),
    }


def _minute(at: str) -> str:
    return at[:16].replace("T", " ")


def _iso(seconds: float) -> str:
    return _minute(datetime.fromtimestamp(seconds, UTC).isoformat())


def _seconds(at: str) -> float:
    return datetime.fromisoformat(at).timestamp()

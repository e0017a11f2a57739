"""Bytes that came to a deck after its run had ended: seen, kept, and given a run of their own."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field

from deckwright.jobs.service import ServiceSpec
from deckwright.service.runs.runs import Runs
from deckwright.service.store.spool import Spool, Taking
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock, a_while_ago
from deckwright.service.system.fs import digest_of_file
from deckwright.service.system.places import DECK

_A_ROUND = 500
_WHY = "bytes came to the deck after it was taken"


@dataclass(slots=True)
class LateSweep:
    """Looks at decks of ended runs, some hundred a round; a writer may still hold one open."""

    spool: Spool
    runs: Runs
    spec: ServiceSpec
    clock: Clock
    taking_of: Callable[[str], Taking | None]
    _place: int = 0
    _changed: dict[str, tuple[int, int, float]] = field(default_factory=dict)

    def round(self) -> None:
        """Look at the next decks. A changed one gets a new run once it has settled.

        Raises:
            OSError: no room; it is tried again.
        """
        since = a_while_ago(self.clock.now(), self.spec.late_s)
        rows = self.spool.ledger.ended_after(self._place, since, _A_ROUND)
        self._place = rows[-1].place if len(rows) == _A_ROUND else 0
        for row in rows:
            self._look(row)

    def _look(self, row: Row) -> None:
        path = self.spool.workspace.root / row.state / row.run / DECK
        try:
            status = os.lstat(path)
        except OSError:  # carried away, which is anyone's right
            return
        if (status.st_size, status.st_mtime_ns) == (row.size, row.mtime_ns):
            return
        stamp = (status.st_size, status.st_mtime_ns)
        before = self._changed.get(row.run)
        now = self.clock.steady()
        if before is None or before[:2] != stamp:
            self._changed[row.run] = (*stamp, now)
            return
        if now - before[2] < self.spec.settle_s:
            return
        del self._changed[row.run]
        if digest_of_file(path)[1] == row.sha256:  # touched, not changed
            self.spool.ledger.note_mtime(row.run, status.st_mtime_ns)
            return
        taking = self.taking_of(row.job)
        if taking is None:
            return
        claim = self.spool.run_again(row, taking, _WHY)
        self.spool.ledger.mark_late(row.run)
        facts: dict[str, object] = {"run": row.run, "job": row.job}
        if claim is not None:
            self.runs.add(claim)
            facts["new_run"] = claim.run
        self.runs.tell("late_bytes", **facts)

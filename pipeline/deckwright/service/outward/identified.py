"""Every event about a run carries run, job and deck, so that one key follows a deck to its end."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

from deckwright.service.runs.openrun import Tell
from deckwright.service.store.ledger import Ledger, LedgerError
from deckwright.service.system.places import RUN_NAME, shown


@dataclass(frozen=True, slots=True)
class Identified:
    """Adds what the ledger knows of the run of an event; run, job and deck come first in it."""

    hear: Tell
    ledger: Ledger

    def __call__(self, event: str, **facts: object) -> None:
        """Pass an event on."""
        run = facts.get("run")
        if isinstance(run, str) and RUN_NAME.match(run):
            known: dict[str, object] = {"run": run}
            if "job" not in facts or "deck" not in facts:
                with contextlib.suppress(LedgerError):
                    row = self.ledger.row(run)
                    if row is not None:
                        known |= {"job": row.job, "deck": shown(row.name)}
            known |= {name: facts[name] for name in ("job", "deck") if name in facts}
            facts = {**known, **facts}
        self.hear(event, **facts)

"""Whose turn it is: which of the decks that may start is the next, so that no job holds up another.

In this order: urgent decks and jobs of higher priority; what is due earlier; the job with fewest
decks under way, then the one whose last turn is longest ago; of one job, decks tried before and
new ones in turn; the order in which they were taken.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from deckwright.jobs.service import ServiceSpec
from deckwright.service.runs.openrun import Open
from deckwright.service.store.records import Claim
from deckwright.service.system.patterns import matcher

_Rank = tuple[int, float]


def rank(spec: ServiceSpec, job: str, name: str, taken_at: str) -> _Rank:
    """Return what comes before fairness: urgency with priority, and when it is due; least first.

    Args:
        spec: the service file.
        job: the job of the deck.
        name: the deck's name.
        taken_at: when it was taken, ISO 8601.
    """
    how = spec.job(job)
    urgent = bool(how.urgent) and matcher(tuple(how.urgent)).match(name) is not None
    due = math.inf
    if how.due_s is not None:
        due = datetime.fromisoformat(taken_at).timestamp() + how.due_s
    return (-how.priority - (100 if urgent else 0), due)


def rank_of(spec: ServiceSpec, claim: Claim) -> _Rank:
    """Return the rank of a deck that was taken."""
    return rank(spec, claim.job, claim.deck.name_bytes.decode("utf-8", "replace"), claim.taken_at)


@dataclass(slots=True)
class Turns:
    """Remembers who had the last turns."""

    _again: bool = False
    _turn: int = 0
    _last: dict[str, int] = field(default_factory=dict)

    def choose(
        self, spec: ServiceSpec, ready: Sequence[Open], running: Sequence[Open]
    ) -> Open | None:
        """Return the deck that is to start next; None where all must wait.

        Args:
            spec: priorities and caps.
            ready: decks that may start, but for caps.
            running: decks that run now.
        """
        busy = Counter(item.claim.job for item in running)
        failed = sum(bool(item.failed) for item in running)
        fitting = [item for item in ready if self._may(spec, item, busy, failed)]
        if not fitting:
            return None

        def key(item: Open) -> tuple[_Rank, int, int, bool, int]:
            job = item.claim.job
            turn = bool(item.tries) != self._again
            return (
                rank_of(spec, item.claim),
                busy[job],
                self._last.get(job, 0),
                turn,
                item.claim.order,
            )

        chosen = min(fitting, key=key)
        self._again = not self._again
        self._turn += 1
        self._last[chosen.claim.job] = self._turn
        return chosen

    @staticmethod
    def _may(spec: ServiceSpec, item: Open, busy: Counter[str], failed: int) -> bool:
        most = spec.job(item.claim.job).at_once
        if most is not None and busy[item.claim.job] >= most:
            return False
        # what failed before may hang again: a worker is always left to others
        return not item.failed or spec.workers == 1 or failed < spec.workers - 1


def under_way(items: Iterable[Open], now: float) -> Counter[str]:
    """Return for each job how many decks run or wait for nothing but their turn."""
    return Counter(item.claim.job for item in items if item.runs or item.due <= now)

"""When a failed run is tried again, and when a job as a whole is held."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from deckwright.jobs.service import RetrySpec
from deckwright.service.runs.ends import SERVICE_ENDED
from deckwright.service.store.ledger import EXCUSED
from deckwright.service.store.records import ReasonEntry
from deckwright.service.store.tables import PastTry, Try


def wait_before(retry: RetrySpec, run: str, tries: int) -> float:
    """Return seconds until the next try: doubling from try to try, up to the longest wait.

    A fifth more or less, by the run's name, keeps runs that failed together from coming back
    together.
    """
    wait = min(retry.first_wait_s * 2.0 ** min(tries - 1, 30), retry.longest_wait_s)
    spread = int.from_bytes(hashlib.sha256(run.encode()).digest()[:2], "big") / 0xFFFF
    return wait * (0.8 + 0.4 * spread)


def most_tries(retry: RetrySpec, outcome: str) -> int:
    """Return how many tries a run has that failed in this way."""
    return retry.stage_tries if outcome == "stage" else retry.tries


def counting(tries: Sequence[Try]) -> list[Try]:
    """Return the tries that count against their deck: not those for which it had no part."""
    return [
        each for each in tries if each.code != SERVICE_ENDED and each.outcome not in {EXCUSED, ""}
    ]


def spent(retry: RetrySpec, tries: Sequence[Try]) -> bool:
    """Tell whether a run has had all its tries, as a start finds it."""
    failed = counting(tries)
    if not failed or failed[-1].outcome == "deck":
        return False
    return len(failed) >= most_tries(retry, failed[-1].outcome)


def cut_off(tries: Sequence[Try]) -> bool:
    """Tell whether the service ended during the last try of a run, so that it must run alone."""
    return bool(tries) and tries[-1].code == SERVICE_ENDED and tries[-1].outcome != EXCUSED


def causes(tries: Sequence[Try]) -> list[ReasonEntry]:
    """Return the cause of each try, for a deck that has no more."""
    return [
        ReasonEntry(
            code=each.code or each.outcome,
            stage=each.stage,
            sentence=f"try {each.number}: {each.sentence or each.outcome}",
            remedy="have the stage or its limits looked at, then requeue the deck",
            at=each.at,
            where=each.calls,
        )
        for each in counting(tries)
    ]


@dataclass(slots=True)
class Breaker:
    """Counts decks in a row that failed in one stage of a job for other reasons than the deck."""

    _failing: dict[str, tuple[str, set[str]]] = field(default_factory=dict)

    def failed(self, job: str, stage: str, run: str) -> int:
        """Enter a failure; return how many decks in a row have failed there."""
        before, runs = self._failing.get(job, (stage, set()))
        runs = (runs if before == stage else set()) | {run}
        self._failing[job] = (stage, runs)
        return len(runs)

    def recall(self, tries: Iterable[PastTry]) -> None:
        """Count on where the service ended.

        Args:
            tries: of all jobs, the latest first.
        """
        over: set[str] = set()
        for each in tries:
            stage = each.stage or each.outcome
            if each.through or each.outcome in {"deck", EXCUSED}:
                over.add(each.job)
            elif each.job in over or not each.outcome or each.code == SERVICE_ENDED:
                continue
            elif self._failing.get(each.job, (stage,))[0] != stage:
                over.add(each.job)
            else:
                self.failed(each.job, stage, each.run)

    def clear(self, job: str) -> None:
        """Enter that a deck went through, or came back for its own faults."""
        self._failing.pop(job, None)

"""What is known of a deck that was taken and has not ended, and whom its run speaks to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from deckwright.service.store.checking import Checked
from deckwright.service.store.records import Claim, ReasonEntry
from deckwright.service.workers.messages import RunOrder

Check = Callable[[Path, str, Claim, str], Checked]
"""Looks whether an attempt is complete; see `checking.check_attempt`."""


class Workers(Protocol):
    """What runs orders; see `pool.Pool`."""

    def free(self, large: bool) -> bool:  # noqa: FBT001 # one question with two answers
        """Tell whether a run can be started now."""

    def start(self, order: RunOrder, *, large: bool, seconds: float, config: str) -> None:
        """Start a run."""


class Tell(Protocol):
    """Hears what happens: a constant event name and facts without card contents."""

    def __call__(self, event: str, **facts: object) -> None:
        """Hear of one event."""


@dataclass(frozen=True, slots=True)
class JobCard:
    """What the service must know of a job. files: its named files, absolute paths."""

    name: str
    config: str
    files: dict[str, str]


@dataclass(slots=True)
class Open:
    """A deck that was taken and has not ended.

    due: steady time before which it is not started. tries: all that it had; failed: those that
    count against it. alone: it must not run beside others.
    begun: steady time at which its run began. lacks: what kept it from being run; waits: how often
    in a row, and free: bytes that were free then.
    """

    claim: Claim
    due: float = 0.0
    tries: int = 0
    failed: int = 0
    alone: bool = False
    out: str = ""
    begun: float = 0.0
    lacks: str = ""
    waits: int = 0
    free: int = 0
    parent: str = ""
    verdict: list[ReasonEntry] | None = None
    stage: str = ""
    done: int = 0
    total: int = 0

    @property
    def runs(self) -> bool:
        """Whether a worker has it."""
        return bool(self.out)

"""Room on the disk: looked at before a run starts, waited for with patience, told once a minute."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from deckwright.service.runs.openrun import Open, Tell
from deckwright.service.store.ledger import Ledger, LedgerFullError
from deckwright.service.system.clock import Clock

ROOM_WAIT_S = 5.0
"""Pause after the disk had no room, before the same is tried again; it doubles for one deck."""

LONGEST_WAIT_S = 600.0
"""The most seconds between two tries of a deck for which there was no room."""

TIMES = 4
"""Room that a run may take, in sizes of its deck."""

_TOLD_S = 60.0
_MORE = 1 << 20


def free_below(folder: Path) -> int:
    """Return the bytes that are free on the disk of a folder.

    Raises:
        OSError: nobody can say.
    """
    status = os.statvfs(folder)
    return status.f_bavail * status.f_frsize


def mib(size: int) -> str:
    """Return a size in MiB for people."""
    return f"{size / 2**20:,.1f} MiB" if size < 100 * 2**20 else f"{size // 2**20:,} MiB"


@dataclass(slots=True)
class Room:
    """Who waits for room. at: steady time until which the disk is taken to be full."""

    folder: Path
    ledger: Ledger
    clock: Clock
    tell: Tell
    free: Callable[[Path], int] = free_below
    at: float = 0.0
    _owed: list[str] = field(default_factory=list)  # runs whose last try is to be struck out
    _told_at: float = float("-inf")

    def is_there_for(self, item: Open) -> bool:
        """Look whether a run can start, before anything is written for it; else it waits."""
        wanted = TIMES * item.claim.deck.size
        free = self.free(self.folder)
        if free >= wanted:
            return True
        if not item.lacks:
            item.lacks = f"{mib(free)} are free, {mib(wanted)} are wanted for it"
        item.due = self.clock.steady() + ROOM_WAIT_S
        self.say("no_room", run=item.claim.run, error=item.lacks)
        return False

    def failed(self, item: Open, why: str, event: str = "no_room") -> None:
        """Have a deck wait whose run found no room, or no process: longer from time to time."""
        now = self.clock.steady()
        self.at = now + ROOM_WAIT_S
        wait = min(ROOM_WAIT_S * 2.0 ** min(item.waits, 30), LONGEST_WAIT_S)
        item.waits += 1
        item.due = max(item.due, now + wait)
        item.lacks = why
        item.free = self.free(self.folder)
        self.say(event, run=item.claim.run, error=why)

    def look(self, items: list[Open]) -> None:
        """Let decks go on that wait for room, as soon as there is more than when they failed."""
        waiting = [item for item in items if item.waits and not item.runs]
        if not waiting or self.clock.steady() < self.at:
            return
        free = self.free(self.folder)
        for item in waiting:
            if free >= item.free + max(_MORE, item.claim.deck.size):
                item.due = min(item.due, self.at)

    def say(self, event: str, **facts: object) -> None:
        """Tell of what the disk lacks, once a minute at most, whoever lacks it."""
        now = self.clock.steady()
        if now - self._told_at >= _TOLD_S:
            self._told_at = now
            self.tell(event, **facts)

    def owe(self, run: str) -> None:
        """Strike out the last try of a run, as soon as the ledger has room for it."""
        self._owed.append(run)
        self.paid()

    def paid(self) -> bool:
        """Strike out the tries that do not count; tell whether that is done."""
        while self._owed:
            try:
                self.ledger.drop_try(self._owed[-1])
            except LedgerFullError:
                self.at = self.clock.steady() + ROOM_WAIT_S
                self.say("no_room", run=self._owed[-1], error="the ledger has no room")
                return False
            self._owed.pop()
        return True


def waits_of(items: list[Open]) -> str:
    """Return what the decks that wait for room lack; empty where none does."""
    lacking = [item for item in items if item.lacks]
    if not lacking:
        return ""
    first = lacking[0]
    more = f", and {len(lacking) - 1:,} more" if len(lacking) > 1 else ""
    return f"{first.claim.deck.shown}{more} cannot be run now: {first.lacks}"

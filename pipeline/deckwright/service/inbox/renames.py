"""Which files of the inbox a rename brought there, as far as the system told of it."""

from __future__ import annotations

from pathlib import Path

from deckwright.service.inbox.settling import Stamp

KEPT = 4096
"""Renames that are remembered; whoever comes after that is asked the longer way."""


class Renames:
    """Remembers what was renamed into the inbox, until it changes.

    One thread may hear while another asks.

    The times of a file show a rename only where the clock of the file system ticked between the
    last writing and it. What is not here may have been renamed all the same: events get lost.
    """

    def __init__(self) -> None:
        self._stamps: dict[Stamp, None] = {}

    def hear(self, path: str) -> None:
        """Remember what a rename has just brought to a path. Never raises."""
        try:
            stamp = Stamp.of(Path(path).lstat())
        except (OSError, ValueError):
            return  # it has gone on
        self._stamps[stamp] = None
        if len(self._stamps) > KEPT:
            del self._stamps[next(iter(self._stamps))]

    def __contains__(self, stamp: object) -> bool:
        """Tell whether a file that has this stamp still is as a rename brought it."""
        return stamp in self._stamps

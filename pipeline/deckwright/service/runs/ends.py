"""Ends of the service that nobody asked for: is a deck behind them, or supply, system, watchdog?

A try that such an end cut off counts against no deck. What ran then runs alone at the next start.
A deck is suspected only while it was the only one that ran at the ends of the service; it is
cleared as soon as the service ends while nothing ran, or gets through a run that was cut off alone
before. Before a suspect is tried again the service must live, with nothing running, for longer
than it lived the last time: what ends it whatever it does ends it then. A deck for which all of
this speaks `MOST_ALONE` times is held, not returned, since it may still be chance.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from deckwright.jobs.service import RetrySpec
from deckwright.service.store.ledger import Ledger
from deckwright.service.store.tables import End
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace

MOST_ALONE = 4
"""Ends of the service during which a deck alone ran, until it is held."""

SERVICE_ENDED = "service-ended"
"""Code of a try during which the service itself ended, and of a deck that is held for it."""

WHY_HELD = (
    f"held: the service ended {MOST_ALONE} times while this deck alone ran, and not while it"
    " waited; have the job's plugins and the memory of the machine looked at, then resume it"
)

_MARK = "serving"
_BEFORE_REST = 2
_LONGER = 1.5


@dataclass(slots=True)
class Ends:
    """What is known of such ends since the last one that was explained."""

    workspace: Workspace
    fs: Fs
    ledger: Ledger
    clock: Clock
    _known: list[End] = field(default_factory=list)

    @property
    def _mark(self) -> Path:
        return self.workspace.control / _MARK

    def begin(self) -> None:
        """Leave a mark that lies there while the service lives; without room there is none."""
        with contextlib.suppress(OSError):
            self.fs.write_hint(self._mark, self.clock.now().encode())

    def beat(self) -> None:
        """Enter in the mark that the service lives; takes no room on the disk."""
        with contextlib.suppress(OSError, ValueError):
            now = datetime.fromisoformat(self.clock.now()).timestamp()
            os.utime(self._mark, (now, now))

    def finish(self) -> None:
        """Take the mark away: the service ends because somebody wants it to."""
        with contextlib.suppress(OSError):
            self.fs.unlink(self._mark)

    def enter(self, running: list[str]) -> None:
        """Enter how the service ended last.

        Args:
            running: runs that were cut off.
        """
        lived = self._lived()
        if running:
            self.ledger.enter_end(self.clock.now(), lived or 0.0, running)
        elif lived is not None:  # it ends with nothing to do, too
            self.ledger.clear_ends()
        if lived is not None:
            self.finish()

    def recall(self) -> None:
        """Read what is known, once all was entered."""
        self._known = self.ledger.ends()

    def _lived(self) -> float | None:
        """Return for how many seconds the service lived; None where it ended as it should."""
        try:
            begun = datetime.fromisoformat(self._mark.read_text("ascii")).timestamp()
            return max(0.0, self._mark.stat().st_mtime - begun)
        except FileNotFoundError:
            return None
        except (OSError, ValueError):  # cut off while it was written
            return 0.0

    def rest(self, retry: RetrySpec) -> float:
        """Return for how many seconds nothing is to run after this start."""
        in_a_row = 0
        while in_a_row < len(self._known) and not self._known[-1 - in_a_row].through:
            in_a_row += 1
        if in_a_row < _BEFORE_REST:
            return 0.0
        wait = retry.first_wait_s * 2.0 ** min(in_a_row - _BEFORE_REST, 30)
        return min(max(wait, _LONGER * self._known[-1].lived), retry.longest_wait_s)

    def culprits(self) -> list[str]:
        """Return the run that is to be held, if there is one."""
        alone = [end.runs[0] for end in self._known if len(end.runs) == 1]
        return sorted({run for run in alone if alone.count(run) >= MOST_ALONE})

    def explained(self) -> None:
        """Begin anew: what was behind the ends is known."""
        if self._known:
            self._known = []
            self.ledger.clear_ends()

    def lived_through(self, run: str) -> None:
        """Enter that a run came to an end and the service did not."""
        if any(end.runs == [run] for end in self._known):  # so something else had ended it
            self.explained()
        elif self._known and not self._known[-1].through:
            self.ledger.note_through()
            self._known = self.ledger.ends()

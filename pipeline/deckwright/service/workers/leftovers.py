"""What ended workers leave: processes to be asked how they ended, others to be ended, folders."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from deckwright.service.system.fs import Fs
from deckwright.service.workers import processes
from deckwright.service.workers.process import WorkerProcess

_SWEEP_S = 5.0


@dataclass(slots=True)
class Leftovers:
    """Cleans up after workers. token: the mark of all that they start.

    What a worker has started and left comes to be below this process when the worker ends; for
    some seconds after each end it is looked for.
    """

    token: str
    fs: Fs
    leaving: list[WorkerProcess] = field(default_factory=list)
    _litter: list[Path] = field(default_factory=list)
    _sessions: dict[int, float] = field(default_factory=dict)
    _strangers: dict[processes.Kin, float] = field(default_factory=dict)

    def enter(self, process: WorkerProcess) -> None:
        """Know a worker's session; what is in it is ended after the worker."""
        self._sessions[process.pid] = math.inf

    def take(self, process: WorkerProcess) -> None:
        """Take over a worker that was killed."""
        self.leaving.append(process)

    @property
    def some(self) -> bool:
        """Whether anything has not gone yet."""
        return bool(self.leaving or self._strangers or self._litter)

    def _cleared(self, path: Path) -> bool:
        try:
            self.fs.remove_tree(path)
        except FileNotFoundError:  # a part of it, or all
            return not path.exists()
        except OSError:
            return False
        return True

    def round(self, workers: Iterable[int]) -> None:
        """Look once at all that is left; never wait.

        Args:
            workers: processes that are workers still.
        """
        now = time.monotonic()
        for process in [each for each in self.leaving if each.gone()]:
            self.leaving.remove(process)
            self._sessions[process.pid] = now + _SWEEP_S
            self._strangers |= dict.fromkeys(process.below, now + _SWEEP_S)
            self._litter.append(process.scratch)
        # what a process below it still writes there may make it fail once
        self._litter = [path for path in self._litter if not self._cleared(path)]
        self._sessions = {pid: until for pid, until in self._sessions.items() if until >= now}
        if any(until < math.inf for until in self._sessions.values()):
            known = {*workers, *(process.pid for process in self.leaving)}
            left = processes.end_left(self._sessions.keys(), self.token, known)
            self._strangers |= dict.fromkeys(left, now + _SWEEP_S)
        self._strangers = {
            each: until
            for each, until in self._strangers.items()
            if not processes.reap(each) and until >= now
        }

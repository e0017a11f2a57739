"""An inbox that is watched, and what its observers tell."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from deckwright.service.inbox.watcher import Watcher

LONG = 120.0
"""Seconds after which what should come is given up."""


class Watch:
    """An inbox with folders, watched; what wakes the service is written down."""

    def __init__(
        self,
        root: Path,
        kind: str = "native",
        *folders: str,
        renamed: Callable[[str], None] | None = None,
    ) -> None:
        self.root, self.polls = root, kind == "polling"
        self.calls = 0
        for folder in folders or ("box",):
            (root / folder).mkdir(parents=True, exist_ok=True)
        self.watcher = Watcher(root, kind, self.wake, renamed)
        self.watcher.start()

    def wake(self) -> None:
        self.calls += 1

    def heals(self) -> bool:
        """Tell whether all is well again before long."""
        return soon(lambda: not self.watcher.check())

    def hears(self, path: Path) -> bool:
        """Tell whether a deck that is laid there now wakes the service."""
        if self.polls:
            time.sleep(4 * POLL_S)  # it tells of folders only: let what was before go by
        EVENTS.clear()
        calls = self.calls
        path.write_bytes(b"X")
        place = path.parent if self.polls else path
        return heard(place) and self.calls > calls


POLL_S = 0.05

EVENTS: list[Any] = []
"""What observers told of since this was cleared."""


def soon(true: Callable[[], bool]) -> bool:
    """Wait until something is true, and tell whether it came to be."""
    end = time.monotonic() + LONG
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.005)
    return True


def heard(path: Path) -> bool:
    """Wait for an event of a path."""
    name = os.fspath(path)
    return soon(lambda: any(name in {each.src_path, each.dest_path} for each in list(EVENTS)))


def descriptors() -> set[str]:
    names = os.listdir("/proc/self/fd")  # noqa: PTH208 # names are enough
    return {name for name in names if os.path.lexists(f"/proc/self/fd/{name}")}

"""The service with a clock whose seconds pass faster, so that long waits can be waited for."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from typing_extensions import override

from deckwright.service.daemon import Service
from deckwright.service.outward.log import service_log
from deckwright.service.setup import Tools
from deckwright.service.system.clock import Clock
from deckwright.service.system.lock import locked
from deckwright.service.system.places import Workspace


class FastClock(Clock):
    """Steady seconds that pass so many times faster."""

    def __init__(self, speed: float) -> None:
        self._speed = speed

    @override
    def steady(self) -> float:
        return time.monotonic() * self._speed


def main() -> None:
    """Serve a workspace; called like the command, after the speed."""
    speed, _, root, *more = sys.argv[1:]
    workspace = Workspace(Path(root))
    with locked(workspace) as lock:
        tools = Tools(clock=FastClock(float(speed)))
        service = Service(workspace, lock, service_log(workspace), tools)
        sys.exit(service.run(once="--once" in more))


if __name__ == "__main__":
    main()

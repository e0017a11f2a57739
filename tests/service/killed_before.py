"""The command, whose service is killed where it would log an event."""

from __future__ import annotations

import os
import signal
import sys

from deckwright.cli.main import main
from deckwright.service.daemon import Service

EVENT, tell = sys.argv.pop(1), Service.tell


def tell_or_die(self: Service, event: str, **facts: object) -> None:
    if event == EVENT:
        os.kill(os.getpid(), signal.SIGKILL)
    tell(self, event, **facts)


Service.tell = tell_or_die
main()

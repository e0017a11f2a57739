"""Leave the process otherwise than it was."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Leave the process otherwise than it was."""

    what: str
    """What it leaves."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        match self.config.what:
            case "umask":
                os.umask(0)
            case "descriptor":
                os.open("/dev/zero", os.O_RDONLY)
            case "thread":
                threading.Thread(target=time.sleep, args=(3600,), daemon=True).start()
            case "environment":
                os.environ["TZ"] = "Asia/Tokyo"
            case "timer":
                signal.setitimer(signal.ITIMER_REAL, 3600)
            case "module path":
                sys.path.append("/nowhere")
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

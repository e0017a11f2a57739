"""Start a hundred processes that wait for ever, one of them far away."""

from __future__ import annotations

import os
import time

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Start a hundred processes that wait for ever, one of them far away."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        for number in range(100):
            if not os.fork():
                if not number:
                    os.setsid()
                if number or not os.fork():
                    time.sleep(3600)
                os._exit(0)
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

"""Wait for ever, and let nobody disturb it."""

from __future__ import annotations

import contextlib
import time

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Wait for ever, and let nobody disturb it."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        while True:
            with contextlib.suppress(Exception):
                time.sleep(3600)


@hookimpl
def deckwright_stages():
    return [BadStage]

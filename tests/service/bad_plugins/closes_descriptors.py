"""Close every file there is."""

from __future__ import annotations

import os

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Close every file there is."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        os.closerange(3, 1024)
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

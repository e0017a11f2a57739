"""Leave the program without a word."""

from __future__ import annotations

import os

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Leave the program without a word."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        os._exit(3)


@hookimpl
def deckwright_stages():
    return [BadStage]

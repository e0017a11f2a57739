"""Go somewhere else."""

from __future__ import annotations

import os

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Go somewhere else."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        os.chdir("/")
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

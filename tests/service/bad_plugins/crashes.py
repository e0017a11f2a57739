"""Crash as a library in C does."""

from __future__ import annotations

import os
import signal

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Crash as a library in C does."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        os.kill(os.getpid(), signal.SIGSEGV)
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

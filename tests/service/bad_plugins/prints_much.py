"""Print 64 MiB, half of it to standard error."""

from __future__ import annotations

import sys

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Print 64 MiB, half of it to standard error."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        for stream in (sys.stdout, sys.stderr):
            for _ in range(32):
                stream.write("x" * (1 << 20))
            stream.flush()
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

"""Leave the program."""

from __future__ import annotations

import sys

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Leave the program."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        sys.exit(tray.text[0].tobytes().decode("latin-1"))


@hookimpl
def deckwright_stages():
    return [BadStage]

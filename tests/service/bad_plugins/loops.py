"""Work for ever."""

from __future__ import annotations

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Work for ever."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        while True:
            tray.text.sum()


@hookimpl
def deckwright_stages():
    return [BadStage]

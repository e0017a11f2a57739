"""Raise that there is no memory."""

from __future__ import annotations

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Raise that there is no memory."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        raise MemoryError(tray.text[0].tobytes().decode("latin-1"))


@hookimpl
def deckwright_stages():
    return [BadStage]

"""Raise with the text of a card, as a careless conversion does."""

from __future__ import annotations

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Raise with the text of a card, as a careless conversion does."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        raise ValueError(tray.text[0].tobytes().decode("latin-1"))


@hookimpl
def deckwright_stages():
    return [BadStage]

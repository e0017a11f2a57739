"""Raise an error of the program itself, with the text of a card."""

from __future__ import annotations

from deckwright import Book, DeckwrightError, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Raise an error of the program itself, with the text of a card."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        raise DeckwrightError(tray.text[0].tobytes().decode("latin-1"))


@hookimpl
def deckwright_stages():
    return [BadStage]

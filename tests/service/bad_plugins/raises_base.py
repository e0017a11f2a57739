"""Raise what hardly anything catches."""

from __future__ import annotations

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Raise what hardly anything catches."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        class StrangeError(BaseException):
            pass

        raise StrangeError(tray.text[0].tobytes().decode("latin-1"))


@hookimpl
def deckwright_stages():
    return [BadStage]

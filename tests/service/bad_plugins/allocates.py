"""Take 4 GiB of memory."""

from __future__ import annotations

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Take 4 GiB of memory."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        self.hold = bytearray(4 << 30)
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

"""Write a file of 10 GiB."""

from __future__ import annotations

from pathlib import Path

from deckwright import Bench, Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Write a file of 10 GiB."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    folder = Path()

    def open(self, bench: Bench) -> None:
        self.folder = bench.folder

    def run(self, tray: Tray, book: Book) -> Tray:
        with (self.folder / "large").open("wb") as file:
            file.truncate(10 << 30)
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

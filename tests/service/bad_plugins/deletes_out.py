"""Delete the run folder that is being made."""

from __future__ import annotations

import shutil
from pathlib import Path

from deckwright import Bench, Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Delete the run folder that is being made."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    folder = Path()

    def open(self, bench: Bench) -> None:
        self.folder = bench.folder

    def run(self, tray: Tray, book: Book) -> Tray:
        shutil.rmtree(self.folder.parents[1] / "run")
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

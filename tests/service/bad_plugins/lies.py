"""Say through the pipe of the worker what only the worker says."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class BadConfig(StageConfig):
    """Say through the pipe of the worker what only the worker says."""

    words: str
    """File with what it says."""
    waits: bool = False
    """Wait for ever after it."""


class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray: Tray, book: Book) -> Tray:
        settings = json.loads(Path("/proc/self/cmdline").read_bytes().split(b"\0")[4])
        said = Path(self.config.words).read_bytes()
        while said:
            said = said[os.write(settings["messages"], said) :]
        if self.config.waits:
            time.sleep(3600)
        return tray


@hookimpl
def deckwright_stages():
    return [BadStage]

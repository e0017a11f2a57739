"""Fail, and let out what stands on a card in every way that a careless plugin has."""

from __future__ import annotations

import os
import sys
from typing import Literal

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class FailsConfig(StageConfig):
    """Fail, and let out what stands on a card in every way that a careless plugin has."""

    how: Literal["raise", "print", "die"] = "raise"
    """What it does."""


class FailsStage(TrayStage[FailsConfig]):
    kind = "fails"

    def run(self, tray: Tray, book: Book) -> Tray:
        note = tray.text[0].tobytes().decode("latin-1")
        if self.config.how == "raise":
            raise ValueError(note)
        for stream in (sys.stdout, sys.stderr):
            print(note, file=stream, flush=True)
        if self.config.how == "die":
            os._exit(3)
        return tray


@hookimpl
def deckwright_stages():
    return [FailsStage]

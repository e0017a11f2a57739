"""Wait until a gate stands open."""

from __future__ import annotations

import ctypes
import os
import time
from pathlib import Path

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class GateConfig(StageConfig):
    """Wait until a gate stands open."""

    file: str
    """The gate: a file that is there once it is open."""
    orphan: bool = False
    """Outlive the process that started this one, whatever that wants."""
    stubborn: bool = False
    """Let nothing but a kill end the wait."""


class GateStage(TrayStage[GateConfig]):
    kind = "gate"

    def run(self, tray: Tray, book: Book) -> Tray:
        gate = Path(self.config.file)
        if self.config.orphan:
            ctypes.CDLL(None).prctl(1, 0)  # PR_SET_PDEATHSIG: no signal
        gate.with_name(f"{gate.name}.at-{os.getpid()}-{time.monotonic_ns()}").touch()
        while not gate.exists():
            try:
                time.sleep(0.01)
            except BaseException:
                if not self.config.stubborn:
                    raise
        return tray


@hookimpl
def deckwright_stages():
    return [GateStage]

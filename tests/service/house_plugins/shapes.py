"""A scan and a group stage that wait, where they are told to, until a gate stands open."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np

from deckwright import (
    Book,
    FieldShape,
    GroupStage,
    Known,
    ScanStage,
    StageConfig,
    Tray,
    Values,
    hookimpl,
)


class ShapeConfig(StageConfig):
    """Wait until a gate stands open."""

    gate: str = ""
    """The gate: a file that is there once it is open."""
    fails: bool = False
    """Raise, with what stands on a card."""


def come_to(gate: str) -> None:
    """Say that the gate is reached, and wait until it stands open."""
    path = Path(gate)
    if gate:
        path.with_name(f"{path.name}.at-{os.getpid()}-{time.monotonic_ns()}").touch()
    while gate and not path.exists():
        time.sleep(0.01)


class NumberStage(ScanStage[ShapeConfig, int]):
    """Number each card, and tell it how many there are."""

    kind = "number"
    needs_total = True

    def outline(self, known: Known) -> Known:
        new = {"number": FieldShape("whole", 9), "of": FieldShape("whole", 9)}
        return known.with_fields(new)

    def fold(self, tray: Tray) -> int:
        come_to(self.config.gate)
        if self.config.fails:
            raise ValueError(str(tray["note"].to_list()))
        return len(tray)

    def join(self, earlier: int, later: int) -> int:
        return earlier + later

    def run(self, tray: Tray, book: Book, before: int | None, total: int | None) -> Tray:
        numbers = (before or 0) + 1 + np.arange(len(tray))
        tray = tray.with_field("number", Values("whole", numbers))
        return tray.with_field("of", Values("whole", np.full(len(tray), total)))


class TogetherStage(GroupStage[ShapeConfig]):
    """Return groups of one card."""

    kind = "together"

    def group_fields(self) -> list[str]:
        return ["item"]

    def run(self, tray: Tray, book: Book) -> Tray:
        come_to(self.config.gate)
        return book.give_back(tray, tray["item"].is_unique(), "alone", field="item")


@hookimpl
def deckwright_stages() -> list[type[NumberStage | TogetherStage]]:
    return [NumberStage, TogetherStage]

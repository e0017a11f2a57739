"""A form and a finisher that wait until a gate stands open, half of their work done."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

from deckwright import (
    Bench,
    Closing,
    FinishStage,
    StageConfig,
    TableConfig,
    TableForm,
    Tray,
    hookimpl,
)


def wait_at(gate: str) -> None:
    """Tell that a run has come to a gate, and wait until it is open; none: go on."""
    if not gate:
        return
    place = Path(gate)
    place.with_name(f"{place.name}.at-{os.getpid()}-{time.monotonic_ns()}").touch()
    while not place.exists():
        time.sleep(0.01)


class SlowConfig(TableConfig):
    """Deliver lines that are made after the last card."""

    gate: str = ""
    """The gate."""


class SlowForm(TableForm[SlowConfig]):
    kind = "slow"

    def body(self, tray: Tray) -> bytes:
        return self.frame(tray).write_csv(include_header=False).encode()

    def complete(self, pieces: Iterator[bytes], place: Path, bench: Bench) -> None:
        with place.open("xb", buffering=0) as file:
            file.write(b"begun\n")
            wait_at(self.config.gate)
            for piece in pieces:
                file.write(piece)


class ListConfig(StageConfig):
    """Write lists of the deliveries, in a folder of their own."""

    gate: str = ""
    """The gate."""
    fails: bool = False
    """Raise once half of the work is done."""


class ListStage(FinishStage[ListConfig]):
    kind = "list"

    def finish(self, closing: Closing) -> dict[str, int | str]:
        names = "".join(f"{one.name} {one.sha256}\n" for one in closing.deliveries).encode()
        closing.write("lists/names.txt", [names])
        wait_at(self.config.gate)
        if self.config.fails:
            msg = "CANARY4812"
            raise ValueError(msg)
        closing.write("lists/more/names.txt", [names])
        return {"listed": len(closing.deliveries)}


@hookimpl
def deckwright_forms() -> list[type[SlowForm]]:
    return [SlowForm]


@hookimpl
def deckwright_stages() -> list[type[ListStage]]:
    return [ListStage]

"""How many cards a run gathers into memory at once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from deckwright.engine.passes.spill import Gatherer


@contextmanager
def sizes_gathered() -> Iterator[list[int]]:
    """Watch `Gatherer.range`; give the sizes of the trays that it makes, as they are made."""
    held: list[int] = []
    gather = Gatherer.range

    def noted(self, blocks):
        tray = gather(self, blocks)
        held.append(len(tray))
        return tray

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Gatherer, "range", noted)
        yield held

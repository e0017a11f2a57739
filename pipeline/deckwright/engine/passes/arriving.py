"""Cards as they arrive: what a medium delivers of a deck, as a tray of the run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from deckwright.engine.planning.plan import Plan
from deckwright.layout.decks import Decks
from deckwright.layout.tray import Tray
from deckwright.plugin.values import DeckPart, RawTray


class Arriving:
    """Makes trays of the decks of a run."""

    def __init__(self, plan: Plan, parts: Sequence[DeckPart]) -> None:
        """Take the decks of a run, all of them, in their order."""
        self._plan = plan
        self.decks = know_decks(plan, parts)
        self._width = max((part.width for part in parts), default=0)

    def use_folder(self, folder: Path) -> None:
        """Give each medium its folder for work files."""
        use_folder(self._plan, folder)

    def tray(self, raw: RawTray, part: DeckPart) -> Tray:
        """Return what a medium delivered of a deck."""
        if self._plan.decks is not None and self.decks is not None:
            return self._plan.decks.tray(raw, part, self.decks, self._width)
        start = part.first + raw.first_card - 1
        cards = np.arange(start, start + len(raw.text), dtype=np.int64)
        return Tray(cards, raw.text, self._plan.code, raw.holes, raw.lengths)


def know_decks(plan: Plan, parts: Sequence[DeckPart]) -> Decks | None:
    """Return the named decks of a run, and have all that gathers its cards know them."""
    plan.configs.run_decks = plan.decks.of_run(parts) if plan.decks and parts else None
    return plan.configs.run_decks


def use_folder(plan: Plan, folder: Path) -> None:
    """Give each medium its folder for work files, below that of the stage that brings cards."""
    if not plan.named:
        plan.source.medium.use_folder(folder)
    for deck in plan.named:
        place = folder / deck.name
        place.mkdir(parents=True, exist_ok=True)
        deck.medium.use_folder(place)

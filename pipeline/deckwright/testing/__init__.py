"""What plugins must pass: suites for their authors, used for the plugins of this package too."""

from __future__ import annotations

from deckwright.testing.media import MediumContract
from deckwright.testing.notices import NoticeContract
from deckwright.testing.stages import (
    CUTS,
    LAYOUT,
    Backwards,
    StageContract,
    deliveries,
    difference,
    example_deck,
    state_fault,
    told,
)

__all__ = [
    "CUTS",
    "LAYOUT",
    "Backwards",
    "MediumContract",
    "NoticeContract",
    "StageContract",
    "deliveries",
    "difference",
    "example_deck",
    "state_fault",
    "told",
]

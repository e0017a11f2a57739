"""Decks for the picture benchmarks: text, half-empty cards, and cards of many holes."""

from __future__ import annotations

import numpy as np

from deckwright.pictures.simulator.simulate import invented_cards


def deck(count: int, seed: int):
    """Return uint16 (count, 80) patterns and the printed lines."""
    cards = list(invented_cards(count, seed))
    return np.stack([patterns for patterns, _ in cards]), [text for _, text in cards]

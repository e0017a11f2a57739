"""Decks for the picture benchmarks: text, half-empty cards, and cards of many holes."""

from __future__ import annotations

import numpy as np

from deckwright.cards.codes import load_code

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ" + "0123456789" * 3 + "      -/&.,"


def deck(count: int, seed: int):
    """Return uint16 (count, 80) patterns and the printed lines.

    Of four cards two are full of text, one holds a little text, one is punched at random.
    """
    chance = np.random.default_rng((seed, 80))
    holes = load_code("ebcdic").to_holes
    assert holes is not None
    patterns = np.zeros((count, 80), np.uint16)
    texts = []
    for number in range(count):
        text = "".join(chance.choice(list(LETTERS), 80))
        if number % 4 == 2:
            text = text[: int(chance.integers(1, 40))].ljust(80)
        patterns[number] = [holes[ord(character)] for character in text]
        if number % 4 == 3:
            text = ""
            patterns[number] = chance.integers(0, 4096, 80)
        texts.append(text)
    return patterns, texts

"""How strong a guess is: the words for it, defined here and nowhere else."""

from __future__ import annotations

from typing import Literal

Strength = Literal["holds", "strong", "likely", "possible"]
"""The words, the strongest first."""

MEANINGS: dict[Strength, str] = {
    "holds": "on every card that was looked at, 1,000 of them or more, and hardly by chance",
    "strong": "at least 98 % better than chance",
    "likely": "at least 90 % better than chance",
    "possible": "less than that, or too few different values to tell",
}
"""What each word says of a guess; the legend of page and terminal."""

WORDS: tuple[Strength, ...] = tuple(MEANINGS)

_STEPS: tuple[tuple[float, Strength], ...] = ((1.0, "holds"), (0.98, "strong"), (0.9, "likely"))
_CARDS_FOR_HOLDS = 1_000
_FEWEST_CARDS = 30
_HARDLY = 0.5  # what holds by chance on more cards than this is not called proved


def strength_of(share: float, chance: float, cards: int, most: Strength = "holds") -> Strength:
    """Return the word for a guess.

    Args:
        share: of the cards on which it holds, 0 to 1.
        chance: share on which it would hold if it were not so.
        cards: how many cards, or different values, bear it out.
        most: the strongest word that may be said.
    """
    above = (share - chance) / (1 - chance) if chance < 1 else 0.0
    if cards < _FEWEST_CARDS:
        return "possible"
    word: Strength = next((word for least, word in _STEPS if above >= least), "possible")
    if word == "holds" and (cards < _CARDS_FOR_HOLDS or chance > _HARDLY):
        word = "strong"
    return max(word, most, key=WORDS.index)

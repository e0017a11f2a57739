"""How strong a guess is: the words for it, defined here and nowhere else."""

from __future__ import annotations

from typing import Literal

Strength = Literal["holds", "strong", "likely", "possible"]
"""The words, the strongest first."""

MEANINGS: dict[Strength, str] = {
    "holds": "counted on every card of the deck; nothing in it is a guess",
    "strong": "a guess; of such guesses on decks of another hand 2 in 100 were wrong",
    "likely": "a guess; of such guesses on decks of another hand 4 in 100 were wrong",
    "possible": "a guess that is often wrong, 26 in 100 were, or on too few cards to tell",
}
"""What each word says of a guess; the legend of page and terminal."""

WORDS: tuple[Strength, ...] = tuple(MEANINGS)

_STEPS: tuple[tuple[float, Strength], ...] = ((0.995, "strong"), (0.93, "likely"))
_FEWEST_CARDS = 30
_CARDS_FOR_STRONG = 100


def strength_of(sure: float, cards: int, most: Strength = "strong") -> Strength:
    """Return the word for a guess; never `holds`, which is counted.

    Args:
        sure: how likely it is right, 0 to 1.
        cards: how many cards bear it out.
        most: the strongest word that may be said.
    """
    if cards < _FEWEST_CARDS:
        return "possible"
    word: Strength = next((word for least, word in _STEPS if sure >= least), "possible")
    if cards < _CARDS_FOR_STRONG:
        word = weaker(word, "likely")
    return weaker(word, most)


def weaker(one: Strength, other: Strength) -> Strength:
    """Return the weaker of two words."""
    return max(one, other, key=WORDS.index)

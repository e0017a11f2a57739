"""What the codes of returned decks mean, in words that say nothing of what stands on the cards."""

from __future__ import annotations

MEANINGS = {
    "cpu-limit": "its run used more processor time than it may",
    "damaged": "the deck is not what was taken",
    "deck-changed": "the deck changed while it was read",
    "deck-missing": "the deck has gone",
    "deck-unreadable": "the deck cannot be read as its job says",
    "duplicate": "this deck was done before",
    "empty": "there is no card in it",
    "ends-inside-card": "it ends inside a card",
    "group-again": "cards of one group do not lie together",
    "group-too-large": "one group of its cards is larger than its job's memory",
    "hard-linked": "it has more than one name on the disk",
    "late-bytes": "bytes came after it was taken",
    "limit": "a stage went beyond a limit",
    "marker-differs": "it is not what its marker says",
    "observer": "an observer failed",
    "output": "its run folder could not be written",
    "outputs-wrong": "what its run wrote was not right",
    "stage-failed": "a stage of its job failed",
    "timeout": "its run took too long",
    "too-large": "it is larger than decks may be",
    "too-many-returned": "too many of its cards failed",
    "worker-ended": "its worker process ended by itself",
    "worker-nonsense": "its worker process said what it may not",
}
"""By code. One that is not here stands for itself."""


def meaning(code: str) -> str:
    """Return what a code means; the code itself where nothing more is known."""
    return MEANINGS.get(code, code)

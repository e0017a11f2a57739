"""How an error names cards of a run: by deck and number there, the run's own number beside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from deckwright.errors import NAMED, AccountError, DeckwrightError, PluginFailedError, StageError
from deckwright.plugin.values import DeckPart
from deckwright.report.model import ADDED_FROM


def name_cards(error: DeckwrightError, decks: Sequence[DeckPart]) -> None:
    """Have an error name its cards so that they are found, where their numbers alone do not.

    Args:
        error: any error of a run; those of stages name cards.
        decks: all decks of the run, in their order.
    """
    if isinstance(error, AccountError) and _need_names(error.cards, decks):
        error.named = ", ".join(card_named(card, decks) for card in error.cards[:NAMED])
    elif isinstance(error, StageError) and not isinstance(error, PluginFailedError):
        ends = error.first, error.last
        error.named = _range(*ends, decks) if _need_names(ends, decks) else ""


def _need_names(cards: Iterable[int], decks: Sequence[DeckPart]) -> bool:
    return len(decks) > 1 or any(card >= ADDED_FROM for card in cards)


def _range(first: int, last: int, decks: Sequence[DeckPart]) -> str:
    if first == last:
        return card_named(first, decks)
    deck = _deck_of(first, decks)
    if deck is None or deck is not _deck_of(last, decks):
        return f"cards from {card_named(first, decks)} to {card_named(last, decks)}"
    start, end = first - deck.first + 1, last - deck.first + 1
    return f"cards {start:,} to {end:,} of {deck.name} (cards {first:,} to {last:,} of the run)"


def card_named(card: int, decks: Sequence[DeckPart]) -> str:
    """Return what a card is called: by deck and number there, where there are several decks."""
    if card >= ADDED_FROM:
        return f"card {card}, which a stage added"
    deck = _deck_of(card, decks)
    if deck is None or len(decks) == 1:
        return f"card {card:,}"
    return f"card {card - deck.first + 1:,} of {deck.name} (card {card:,} of the run)"


def _deck_of(card: int, decks: Sequence[DeckPart]) -> DeckPart | None:
    return next((deck for deck in decks if deck.first <= card < deck.first + deck.cards), None)

"""The accounts of each named deck of a run, stage by stage."""

from __future__ import annotations

from deckwright.engine.closing.ending import Ending
from deckwright.engine.passes.accounts import Count


def deck_accounts(ending: Ending, stage: int) -> list[dict[str, str | int]]:
    """Return what a stage did with the cards of each named deck; empty in a job of one deck.

    A sort keeps all cards, so its account follows from the stage before it.
    """
    found: list[dict[str, str | int]] = []
    for deck in ending.plan.named:
        count = ending.deck_counts.get((stage, deck.name))
        if count is None:
            left = _left(ending, stage - 1, deck.name)
            count = Count(arrived=left, left=left)
        account = count.as_dict()
        found.append({"deck": deck.name} | {k: v for k, v in account.items() if k != "added"})
    return found


def named_decks(ending: Ending) -> list[dict[str, object]]:
    """Return what became of the cards of each named deck."""
    last = ending.plan.steps[-1].number
    found: list[dict[str, object]] = []
    for deck in ending.plan.named:
        counts = [c for (_, name), c in ending.deck_counts.items() if name == deck.name]
        cards = sum(part.cards for part in ending.decks if part.of == deck.name)
        out = _left(ending, last, deck.name)
        returned = sum(count.returned for count in counts)
        aside = sum(count.set_aside for count in counts)
        found.append(
            {
                "deck": deck.name,
                "in": cards,
                "out": out,
                "returned": returned,
                "set_aside": aside,
                "holds": cards == out + returned + aside,
            }
        )
    return found


def _left(ending: Ending, stage: int, deck: str) -> int:
    """Return the cards of a deck that a stage let on, or those that a stage before it did."""
    for number in range(stage, 0, -1):
        if (count := ending.deck_counts.get((number, deck))) is not None:
            return count.left
    return sum(part.cards for part in ending.decks if part.of == deck)

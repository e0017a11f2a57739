"""Which type a card is of, by what stands in some of its columns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deckwright.jobs.layouts import CardSpec, ConditionSpec
from deckwright.layout.words import Bytes, blank_fields, holds_text, steady

Mask = NDArray[np.bool_]


def card_types(text: Bytes, cards: list[CardSpec]) -> NDArray[np.int16]:
    """Return int16 (n): place of each card's type in the list, -1 where none matches."""
    text = steady(text)
    rest = [place for place, card in enumerate(cards) if card.otherwise]
    types = np.full(len(text), rest[0] if rest else -1, np.int16)
    for place in reversed(range(len(cards))):  # the first that matches has the last word
        if cards[place].otherwise:
            continue
        types[_matches(text, cards[place])] = place
    return types


def meets(text: Bytes, conditions: Sequence[ConditionSpec]) -> Mask:
    """Return bool (n): true where a card of text (n, L) meets all conditions."""
    text = steady(text)
    match = np.ones(len(text), np.bool_)
    for condition in conditions:
        match &= _holds(text, condition)
    return match


def _matches(text: Bytes, card: CardSpec) -> Mask:
    return blank_fields(text, 1, text.shape[1]) if card.blank else meets(text, card.when)


def _holds(text: Bytes, condition: ConditionSpec) -> Mask:
    holds = np.zeros(len(text), np.bool_)
    for wanted in condition.is_ or condition.not_:
        raw = np.frombuffer(wanted.encode("latin-1"), np.uint8)
        holds |= holds_text(text, condition.span[0], raw)
    return holds if condition.is_ else ~holds

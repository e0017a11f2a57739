"""Where faults gather along a run, in words: nothing is said that the cards do not bear out."""

from __future__ import annotations

import re

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.engine.closing.faultplaces import PlaceCounter
from deckwright.plugin.values import DeckPart
from deckwright.report.model import FaultPlaces
from deckwright.report.pages.faultplots import order_plot


def fault_places(failed: np.ndarray, decks=(("one", 1),), window: int = 37) -> FaultPlaces:
    """Return where faults gather in a run; failed: bool (n), which cards came back."""
    ends = [first - 1 for _, first in decks[1:]] + [len(failed)]
    parts = [
        DeckPart(name, "", first, end - first + 1)
        for (name, first), end in zip(decks, ends, strict=True)
    ]
    counter = PlaceCounter(parts)
    cards = np.flatnonzero(failed) + 1
    none = pl.DataFrame(schema=dict.fromkeys(("column", "first", "last"), pl.Int64))
    for at in range(0, len(cards), window):
        counter.add(cards[at : at + window], none)
    return counter.places()


def order_told(places: FaultPlaces) -> str:
    plot = order_plot(places)
    assert plot
    return plot.says


@settings(deadline=None, max_examples=50)
@given(st.integers(20, 3_000), st.data())
def test_the_card_from_which_on_all_failed_is_named_exactly(cards, data) -> None:
    first = data.draw(st.integers(2, cards - 5))
    border = data.draw(st.integers(2, cards))
    failed = np.arange(1, cards + 1) >= first
    many = f"({cards - first + 1:,} of {cards - first + 1:,}): look at what begins there."
    told = order_told(fault_places(failed))
    assert told == f"From card {first:,} on nearly every card came back {many}"
    told = order_told(fault_places(failed, [("one", 1), ("two", border)]))
    deck, place = ("two", first - border + 1) if first >= border else ("one", first)
    assert told == f"From card {place:,} of {deck} on nearly every card came back {many}"


@settings(deadline=None, max_examples=50)
@given(st.integers(100, 3_000), st.integers(0, 99))
def test_nearly_every_card_is_said_only_where_it_is_true(cards, seed) -> None:
    dice = np.random.default_rng(seed)
    start = int(dice.integers(0, cards))
    failed = dice.random(cards) < np.where(np.arange(cards) < start, *dice.random(2))
    failed[0] = True
    told = re.match(r"From card ([\d,]+) on|Nearly every", order_told(fault_places(failed)))
    if told:
        first = int(told[1].replace(",", "")) if told[1] else 1
        assert failed[first - 1]
        assert failed[first - 1 :].mean() >= 0.9
        assert failed[first - 1 :].sum() >= 0.8 * failed.sum()


def test_where_all_failed_and_where_faults_are_few() -> None:
    told = order_told(fault_places(np.ones(400, np.bool_)))
    assert told == "Nearly every card came back, from the first to the last (400 of 400)."
    few = np.zeros(400, np.bool_)
    few[-3:] = True  # too few to say it of the cards that follow
    assert "3 of the 3 lie together" in order_told(fault_places(few))

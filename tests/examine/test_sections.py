"""Running numbers that begin anew in each section, told apart from those that do not run on."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.examine.deck import examine
from deckwright.examine.guess.sequencewords import sequence_sentence
from examine.conftest import blank_cards, digits, put, text_deck


def sectioned(sizes, first=67, lost=(), seed=0):
    """Return cards of sections: their number in columns 67-69, running numbers in 76-80."""
    random = np.random.default_rng(seed)
    count = sum(sizes)
    cards = blank_cards(count)
    put(cards, 1, random.integers(48, 58, (count, 8)).astype(np.uint8))
    section = np.repeat(np.arange(1, len(sizes) + 1), sizes)
    put(cards, first, digits(section, 3))
    put(cards, 76, digits(np.concatenate([np.arange(1, size + 1) for size in sizes]), 5))
    return np.delete(cards, list(lost), axis=0)


@settings(max_examples=5)
@given(sizes=st.lists(st.integers(25, 60), min_size=4, max_size=9), seed=st.integers(0, 99))
def test_new_beginnings_of_sections_are_no_faults(tmp_path_factory, sizes, seed) -> None:
    deck = tmp_path_factory.mktemp("room") / "sections.txt"
    deck.write_bytes(text_deck(sectioned(sizes, seed=seed)))
    facts = next(one for one in examine([deck]).sequences if one.last == 80)
    assert (facts.gaps, facts.step_downs, facts.doubles) == (0, 0, 0)
    assert facts.again == len(sizes) - 1
    assert set(facts.sections) <= {67, 68, 69}
    assert f"begins anew {len(sizes) - 1} times, whenever column" in sequence_sentence(facts)


@settings(max_examples=5)
@given(place=st.integers(1, 38), section=st.integers(0, 4))
def test_a_card_lost_within_a_section_is_a_gap_all_the_same(tmp_path_factory, place, section):
    deck = tmp_path_factory.mktemp("room") / "sections.txt"
    deck.write_bytes(text_deck(sectioned([40] * 5, lost=[40 * section + place])))
    facts = next(one for one in examine([deck]).sequences if one.last == 80)
    assert (facts.gaps, facts.step_downs, facts.doubles) == (1, 0, 0)
    assert facts.gap_cards == [40 * section + place + 1]


def test_numbers_that_fall_without_a_section_are_step_downs(tmp_path) -> None:
    cards = sectioned([40] * 5)
    cards[:, 66:69] = ord("7")
    deck = tmp_path / "deck.txt"
    deck.write_bytes(text_deck(cards))
    facts = next(one for one in examine([deck]).sequences if one.last == 80)
    assert (facts.step_downs, facts.again) == (4, 0)

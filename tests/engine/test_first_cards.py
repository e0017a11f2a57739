"""The first cards of a run are kept as they were read, however the run is cut."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.engine.passes.firstcards import first_cards, keep_first_cards
from deckwright.plugin.values import RawTray


@given(
    sizes=st.lists(st.integers(1, 5), max_size=6),
    width=st.integers(1, 90),
    holes=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=60, deadline=None)
def test_what_is_kept_of_several_trays_is_what_they_held(
    tmp_path_factory, sizes, width, holes, seed
) -> None:
    work, first = tmp_path_factory.mktemp("work"), 1
    dice, wanted = np.random.default_rng(seed), []
    for size in sizes:
        text = dice.integers(0, 256, (size, width), np.uint8)
        patterns = dice.integers(0, 4096, (size, width)).astype(np.uint16) if holes else None
        keep_first_cards(work, first, RawTray(1, text, patterns, None, []))
        wanted.append(text if patterns is None else patterns)
        first += size
    found = first_cards(work)
    if not sizes:
        assert found is None
        return
    assert found is not None
    assert found.dtype == (np.uint16 if holes else np.uint8)
    assert (found == np.concatenate(wanted)).all()


def test_cards_behind_a_deck_of_another_width_are_left_out(tmp_path) -> None:
    for first, width in ((1, 80), (3, 80), (5, 27), (7, 80)):
        text = np.full((2, width), first, np.uint8)
        keep_first_cards(tmp_path, first, RawTray(1, text, None, None, []))
    found = first_cards(tmp_path)
    assert found is not None
    assert found[:, 0].tolist() == [1, 1, 3, 3]

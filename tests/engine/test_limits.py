"""The limit of returned cards: when it stops a run, and what the message says."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.engine.limits import Sizes
from deckwright.errors import TooManyReturnedError

SIZES = st.builds(Sizes, st.integers(1, 20), st.integers(1, 9))
SOON = settings(max_examples=20, deadline=None)


@given(
    st.lists(st.sampled_from(["0000100100{", "0000A00100{"]), min_size=1, max_size=30),
    st.one_of(st.integers(0, 12), st.integers(0, 100).map(lambda share: f"{share} %")),
    SIZES,
)
@SOON
def test_the_limit_of_returned_cards_is_kept_however_the_deck_is_cut(
    shop, room, cards, limit, sizes
) -> None:
    folder = room()
    stages = shop.chain()
    stages[1] = {**stages[1], "most_returned": limit}
    job = shop.job(folder, stages)
    deck = shop.deck(folder / "deck.txt", cards)
    bad = sum("A" in card for card in cards)
    most = limit if isinstance(limit, int) else most_of(len(cards), int(limit.split()[0]))
    if bad > most:
        with pytest.raises(TooManyReturnedError, match="not-a-digit in field 'item'"):
            shop.run(job, deck, sizes=sizes)
        assert not (folder / "run").exists()
        assert not list(folder.glob(".*"))
    else:
        assert shop.run(job, deck, sizes=sizes).returned == bad


def most_of(cards: int, share: int) -> int:
    """A share; below 20 cards, and above 0 %, all but one, so that a few repairs may fail again."""
    most = cards * share // 100
    return max(most, cards - 1, 1) if cards < 20 and share else most


def test_the_message_names_the_reason_though_the_first_cards_are_good(shop, tmp_path) -> None:
    job = shop.job(tmp_path, [*shop.chain()[:1], {"kind": "validate", "layout": "receipts"},
                              *shop.chain()[2:]])  # fmt: skip
    good = shop.deck(tmp_path / "good.txt", [shop.receipt(1)] * 9)
    bad = shop.deck(tmp_path / "bad.txt", ["0000A00100{"] * 12)
    said = shop.say("run", job, good, bad, "--out", tmp_path / "run", "--workers", 1)
    assert said.code == 4
    assert "stage 2 (validate): 12 of 21 cards failed, above the limit of 50 %" in said.err
    assert "not-a-digit in field 'item' (columns 1-5" in said.err

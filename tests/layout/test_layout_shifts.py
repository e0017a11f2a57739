"""Failed cards that would fit one column further left or right are told of, and no others."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout_cards import compiled

WIDTH = 20
FIELDS = [
    {"name": "a", "columns": "1-4", "kind": "digits", "blank": "error"},
    {"name": "b", "columns": "6-9", "kind": "digits", "blank": "error"},
    {"name": "c", "columns": "11-14", "kind": "digits", "blank": "error"},
    {"name": "d", "columns": "16-18", "kind": "digits", "blank": "error"},
    {"name": "e", "columns": "19-20", "kind": "digits"},
]
LAYOUT = compiled(record_length=WIDTH, field=FIELDS)
GOOD = "1234 5678 9012 345  "


def told(*cards: str) -> dict[int, str]:
    """Return what is said of the cards that would fit, by place."""
    text = np.frombuffer("".join(f"{card:<{WIDTH}}" for card in cards).encode(), np.uint8)
    text = text.reshape(-1, WIDTH)
    _, failures = LAYOUT.check(text)
    found = LAYOUT.shifted(text, None, None, None, failures)
    assert all(each.severity == "fatal" and each.reason == "shifted" for each in found)
    return {int(row): each.detail for each in found for row in each.rows}


@pytest.mark.parametrize(
    ("card", "said"),
    [
        (" " + GOOD[:-1], "would fit shifted one column to the left"),
        (GOOD[1:], "would fit shifted one column to the right, but for column 1"),
        (GOOD[:5] + " " + GOOD[5:-1], "would fit shifted one column to the left from column 6 on"),
        (
            "1234 5678 9012 34567"[:10] + " " + "9012 34567"[:-1],
            "would fit shifted one column to the left from column 11 on, but for column 20",
        ),
        (
            GOOD[:5] + GOOD[6:],
            "would fit shifted one column to the right from column 6 on, but for column 6",
        ),
    ],
)
def test_a_card_that_slipped_is_named_with_the_way_back(card: str, said: str) -> None:
    assert told(GOOD, card, GOOD, "X" * WIDTH) == {1: said}


@pytest.mark.parametrize(
    "card", [GOOD, "12X4 5678 9012 345", "12X4 56X8 9012 345", "", "9" * WIDTH, "1234"]
)
def test_other_cards_are_not_told_of(card: str) -> None:
    assert told(card) == {}


@pytest.mark.slow
@settings(deadline=None)
@given(st.lists(st.text(" 19X", min_size=WIDTH, max_size=WIDTH), min_size=1, max_size=6))
def test_what_is_said_of_a_card_follows_from_the_card_alone(cards: list[str]) -> None:
    slipped = [" " + GOOD[:-1], *cards, GOOD[:5] + " " + GOOD[5:-1]]
    alone = {row: one[0] for row, card in enumerate(slipped) if (one := told(card))}
    assert told(*slipped) == alone
    assert {0, len(slipped) - 1} <= alone.keys()


@settings(deadline=None)
@given(
    st.lists(st.sampled_from([*GOOD]), min_size=WIDTH, max_size=WIDTH),
    st.sampled_from([1, 6, 11, 16]),
    st.booleans(),
)
def test_a_card_that_is_told_of_passes_once_it_is_moved(letters, start, pushed) -> None:
    good = "".join(letters)
    base = GOOD if pushed else good
    card = (base[: start - 1] + " " + base[start - 1 : -1]) if pushed else good
    for said in told(card).values():
        assert said.startswith("would fit shifted one column to the ")
        words = said.removeprefix("would fit shifted one column to the ").partition(", but")[0]
        side, _, rest = words.partition(" from column ")
        at = int(rest.removesuffix(" on") or 1) - 1
        moved = card[:at] + (card[at + 1 :] + " " if side == "left" else " " + card[at:-1])
        text = np.frombuffer(moved.encode(), np.uint8).reshape(1, WIDTH)
        lost = WIDTH if side == "left" else at + 1
        assert all(
            failure.columns[0] <= lost <= failure.columns[1] for failure in LAYOUT.check(text)[1]
        )

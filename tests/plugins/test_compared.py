"""What counts as the same text when a new card is compared with what was to be punched."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from deckwright import Values
from deckwright_plugins.stages.compared import differs

texts = st.lists(
    st.tuples(st.text(" 0A1", max_size=6), st.text(" 0A1", max_size=6)), min_size=1, max_size=30
)


def held(words: list[str], width: int) -> Values:
    """Return texts as a field of so many columns holds them."""
    return Values("text", np.array([list(w.ljust(width).encode()) for w in words], np.uint8))


def same(wanted: str, found: str) -> bool:
    """Return whether a field reads as a text: blanks around do not count, zeros may fill it."""
    old, new = wanted.strip(" "), found.strip(" ")
    return old == new or old.rjust(len(new), "0") == new


@given(texts, st.integers(0, 4), st.integers(0, 4))
def test_blanks_around_and_zeros_on_the_left_make_no_difference(
    pairs: list[tuple[str, str]], more_old: int, more_new: int
) -> None:
    old, new = [a for a, _ in pairs], [b for _, b in pairs]
    wanted = held(old, max(1, *map(len, old)) + more_old)
    found = held(new, max(1, *map(len, new)) + more_new)
    assert differs(wanted, found).tolist() == [not same(a, b) for a, b in pairs]


@given(texts)
def test_a_text_that_reads_as_missing_differs_unless_it_is_blank(
    pairs: list[tuple[str, str]],
) -> None:
    words = [a for a, _ in pairs]
    wanted = held(words, 6)
    found = Values("text", wanted.data, np.ones(len(words), np.bool_))
    assert differs(wanted, found).tolist() == [bool(a.strip(" ")) for a in words]


def test_numbers_differ_where_one_is_missing_or_another() -> None:
    wanted = Values("whole", np.array([1, 2, 3, 4]), np.array([False, False, True, True]))
    found = Values("whole", np.array([1, 5, 0, 4]), np.array([False, False, True, False]))
    assert differs(wanted, found).tolist() == [False, True, False, True]

"""Fields that repeat along the card are told once."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from deckwright.examine.model import Guess
from deckwright.examine.show.sentences import grouped

KINDS = [("whole number", 5), ("code", 1), ("not used", 2), ("text", 7), ("signed number", 4)]


def placed(kinds):
    """Return guesses of kinds and widths, side by side."""
    found, at = [], 1
    for what, width in kinds:
        found.append(Guess(at, at + width - 1, what, "likely", 1.0, 0.0, "said"))
        at += width
    return found


@given(kinds=st.lists(st.sampled_from(KINDS), max_size=40))
def test_folding_leaves_every_field_out_but_once(kinds) -> None:
    guesses = placed(kinds)
    groups = grouped(guesses)
    assert sum(group.fields for group in groups) == len(guesses)
    firsts = {guess.first for guess in guesses}
    assert all(group.guess.first in firsts for group in groups)
    assert [group.guess.first for group in groups] == sorted(group.guess.first for group in groups)


@given(
    unit=st.lists(st.sampled_from(KINDS), min_size=2, max_size=4, unique=True),
    copies=st.integers(3, 9),
)
def test_a_group_that_repeats_is_told_by_its_members(unit, copies) -> None:
    groups = grouped(placed(unit * copies))
    assert [group.guess.what for group in groups] == [what for what, _ in unit]
    step = sum(width for _, width in unit)
    assert all((group.fields, group.step) == (copies, step) for group in groups)
    words = groups[0].each
    assert words.startswith(f"{copies} fields of ")
    assert words.endswith(f", one every {step} columns")


def test_fields_side_by_side_are_one_line() -> None:
    (group,) = grouped(placed([("whole number", 4)] * 12))
    assert (group.guess.columns, group.each) == ("1-48", "12 fields of 4 columns")

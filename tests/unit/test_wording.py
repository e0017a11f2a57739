"""Counts, shares and near matches, worded alike everywhere."""

from __future__ import annotations

import re

from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.wording import found_value, nearest, percent, plural

quick = settings(max_examples=60, deadline=None)

SHARES = st.integers(1, 10**7).flatmap(
    lambda whole: st.integers(0, whole).map(lambda part: (part, whole))
)


@quick
@given(SHARES)
def test_all_and_none_are_said_only_where_it_is_all_and_none(parts):
    part, whole = parts
    said = percent(part / whole)
    assert (said == "100 %") == (part == whole)
    assert (said == "0 %") == (part == 0)


@quick
@given(SHARES)
def test_a_percentage_has_one_form_and_is_near_the_truth(parts):
    part, whole = parts
    said = percent(part / whole)
    found = re.fullmatch(r"([<>]?)(\d{1,3}(?:\.\d)?) %", said)
    assert found
    value = 100 * part / whole
    if found[1]:
        assert value < float(found[2]) if found[1] == "<" else value > float(found[2])
    else:
        near = 0.0501 if value < 1 or value > 99 else 0.5001
        assert abs(float(found[2]) - value) <= near


@quick
@given(st.floats(0, 1), st.floats(0, 1))
def test_a_larger_share_never_reads_as_a_smaller_one(one, other):
    def figure(share):
        said = percent(share)
        return float(said.strip("<> %")) + (0.01 if said[0] == ">" else -0.01 * (said[0] == "<"))

    low, high = sorted((one, other))
    assert figure(low) <= figure(high)


def test_shares_of_few_cards_have_no_decimals():
    assert [percent(part / 3) for part in range(4)] == ["0 %", "33 %", "67 %", "100 %"]
    assert percent(0.0042) == "0.4 %"
    assert percent(0.9961) == "99.6 %"


def test_one_thing_is_not_said_in_the_plural():
    assert plural(1, "card") == "1 card"
    assert plural(6012, "card") == "6,012 cards"
    assert plural(0, "match", "matches") == "0 matches"


@quick
@given(st.lists(st.from_regex(r"[a-z]{3,12}", fullmatch=True), min_size=1, unique=True), st.data())
def test_a_name_is_nearest_to_itself_in_capitals(names, data):
    name = data.draw(st.sampled_from(names))
    assert repr(name) in nearest(name.upper(), names).partition(" or ")[0]


def test_what_there_is_is_said_where_nothing_comes_near():
    assert nearest("sortt", ["sort", "merge"]) == "did you mean 'sort'?"
    assert nearest("zzz", ["sort", "merge"]) == "there are: sort, merge"
    assert nearest("zzz", ["sort"], all_of_them="deckwright stages") == "see deckwright stages"
    assert nearest("zzz", []) == "there are none"


def test_columns_that_a_card_has_not_are_told_in_words() -> None:
    assert found_value("AB ") == "'AB '"
    assert found_value("AB\0\0") == "'AB'"
    assert found_value("\0\0") == "no such columns"
    assert found_value(None) == "None"
    assert found_value(7) == "7"

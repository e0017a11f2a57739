"""Ranges, choices, check digits, flags and missing values of a field."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.layout import reading
from layout_cards import compiled, deck, one_field, told


def test_ranges_keep_the_value_and_report_the_card():
    layout = one_field(
        5, kind="decimal", decimals=2, sign="overpunch-right", low="-100.00", high=140
    )
    text = deck("1000}", "1000J", "14000", "14001")
    values, (failure,) = layout.check(text)
    assert values["x"].data.tolist() == [-10000, -10001, 14000, 14001]
    assert values["x"].missing is None
    assert (failure.reason, failure.rows.tolist()) == ("out-of-range", [1, 3])
    assert failure.detail == "should lie between -100.00 and 140"


def test_a_missing_value_is_not_tested_against_the_range():
    layout = one_field(2, kind="whole", low=1, missing_values=["99"])
    values, failures = layout.check(deck("  ", "99", "01"))
    assert (failures, values["x"].present().tolist()) == ([], [False, False, True])


def test_a_range_of_dates_is_written_in_the_form_of_the_field():
    layout = one_field(6, kind="date", form="YYYYMM", low="185001", high=dt.date(1980, 12, 1))
    _, (failure,) = layout.check(deck("184912", "185001", "198012", "198101"))
    assert failure.rows.tolist() == [0, 3]


def test_choices_stand_as_they_are_justified():
    layout = one_field(2, kind="choice", choices=["1", "12"])
    values, (failure,) = layout.check(deck("1 ", "12", " 1", "  "))
    assert (failure.reason, failure.rows.tolist()) == ("not-in-list", [2])
    assert failure.detail == "should be one of 1, 12"
    assert values["x"].present().tolist() == [True, True, True, False]


def test_long_choices_are_told_apart_in_every_column():
    choices = ["A" * 20, "A" * 19 + "B"]
    layout = one_field(20, kind="choice", choices=choices)
    _, (failure,) = layout.check(deck(*choices, "A" * 10 + "B" + "A" * 9))
    assert failure.rows.tolist() == [2]


def test_one_card_may_fail_its_check_digit_and_its_range():
    layout = one_field(8, kind="whole", high=10_000_000, check={"scheme": "luhn"})
    _, failures = layout.check(deck("99999999", "00000018"))
    assert [(f.reason, f.rows.tolist()) for f in failures] == [
        ("out-of-range", [0]),
        ("check-digit", [0]),
    ]


def test_check_characters_stand_where_the_layout_says():
    inside = {"scheme": "luhn", "digit_columns": "1"}
    layout = one_field(5, kind="digits", check=inside)
    assert told(layout, deck("17894", "97894")) == ["17894", "97894"]
    _, (failure,) = layout.check(deck("17894", "97894"))
    assert (failure.rows.tolist(), failure.column.tolist()) == ([0], [1])
    letters = one_field(3, kind="text", check={"scheme": "mod11", "weights": [2, 3], "x": True})
    _, failures = letters.check(deck("06X", "067"))
    assert [f.rows.tolist() for f in failures] == [[1]]


def test_a_two_line_element_is_checked_over_its_columns():
    # worked example (satellite mailing list, 1998); the second line has one wrong digit
    line = "1 25395U 98043B   98191.87373682 -.00000045  00000-0  00000+0 0    24"
    field = {"name": "check", "columns": "69", "kind": "digits"}
    layout = compiled(
        record_length=69, field=[{**field, "check": {"scheme": "sum10", "over": "1-68"}}]
    )
    _, (failure,) = layout.check(deck(line, line.replace("98191", "98192"), length=69))
    assert (failure.reason, failure.rows.tolist()) == ("check-digit", [1])


def test_a_flag_zone_gives_the_digit_and_the_word():
    layout = one_field(4, kind="whole", overpunch={"11": "trace", "12": "accumulated"})
    text = deck("0000", "000}", "001B", "    ", "00-1", "   -")
    values, failures = layout.check(text)
    assert values["x"].data.tolist() == [0, 0, 12, 0, 0, 0]
    assert values["x"].present().tolist() == [True, True, True, False, False, False]
    words = [bytes(word).decode().rstrip() for word in values["x_flag"].data]
    assert words == ["", "trace", "accumulated", "", "", ""]
    assert values["x_flag"].present().tolist() == [True, True, True, True, False, False]
    assert {f.reason for f in failures} == {"zone-alone", "leading-blank"}


def test_a_lone_flag_zone_may_mean_that_the_value_is_missing():
    options = {"overpunch": {"11": "trace"}, "zone_alone": "flag"}
    layout = one_field(4, kind="whole", **options)
    values, failures = layout.check(deck("   -", "000-", "   &"))
    assert values["x"].present().tolist() == [False, False, False]
    assert bytes(values["x_flag"].data[0]) == b"trace"
    assert sorted(int(row) for f in failures for row in f.rows) == [1, 2]


def test_digits_with_a_flag_zone_are_held_without_it():
    layout = one_field(9, kind="digits", overpunch={"11": "void"})
    assert told(layout, deck("00012345N")) == ["000123455"]


def test_missing_values_are_found_wherever_they_stand_and_whatever_they_look_like():
    layout = one_field(6, kind="decimal", decimals=1, point="punched", fill=" ",
                       sign="leading", missing_values=["-9.9", "999999"])  # fmt: skip
    assert told(layout, deck("  -9.9", "-9.9  ", "999999", "   9.9")) == [None, None, None, 99]
    text = one_field(12, kind="text", missing_values=["NONE"])
    assert told(text, deck("NONE".ljust(12), "NONE".rjust(12), "NONE AT ALL ")) == [
        None, None, "NONE AT ALL ",
    ]  # fmt: skip


def test_a_number_that_64_bits_cannot_hold_is_a_fault_and_never_wraps():
    layout = one_field(18, kind="decimal", decimals=6, point="punched", fill=" ")
    assert told(layout, deck("999999999999999999", "999999999999.99999")) == [
        "not-a-number", 999_999_999_999_999_990,
    ]  # fmt: skip


@pytest.mark.parametrize("length", [1, 3, 7])
def test_records_shorter_than_a_machine_word_are_read(length):
    layout = one_field(1, first=length, length=length, kind="whole")
    assert told(layout, deck("7", "x", first=length, length=length)) == [7, "not-a-digit"]


def test_an_empty_tray_is_read():
    layout = compiled(
        card=[
            {"name": "a", "when": [{"columns": "1", "is": ["A"]}],
             "field": [{"name": "x", "columns": "2-9", "kind": "whole", "low": 1}]},
            {"name": "b", "blank": True},
        ],
        rule=[{"name": "r", "holds": "x > 0", "message": "m"}],
    )  # fmt: skip
    values, failures = layout.check(np.zeros((0, 80), np.uint8))
    assert (len(values["x"]), failures) == (0, [])


TEXTS = st.lists(st.text("0192 A", min_size=3, max_size=3), min_size=1, max_size=5)


def spelt(failures):
    return [(one.reason, one.rows.tolist(), one.severity) for one in failures]


@given(TEXTS, TEXTS)
def test_what_failed_is_the_same_whatever_was_checked_before(before, cards):
    layout = one_field(3, kind="whole", low=1, blank="error")
    fresh = one_field(3, kind="whole", low=1, blank="error")
    layout.check(deck(*before))
    wanted = spelt(fresh.check(deck(*cards))[1])
    assert spelt(layout.failures(deck(*cards))) == wanted
    layout.check(deck(*cards))
    assert spelt(layout.failures(deck(*cards))) == wanted


def test_a_few_cards_that_were_just_checked_are_not_checked_again(monkeypatch):
    layout, walks, made = one_field(3, kind="whole"), [], reading.Walk
    monkeypatch.setattr(reading, "Walk", lambda *given: walks.append(given) or made(*given))
    cards, other = deck("001", "0A1"), deck("001", "0A2")
    layout.check(cards)
    assert spelt(layout.failures(cards.copy())) == [("not-a-digit", [1], "fatal")]
    assert len(walks) == 1
    layout.failures(other)
    layout.failures(cards, undefined=np.zeros(256, np.bool_))
    assert len(walks) == 3

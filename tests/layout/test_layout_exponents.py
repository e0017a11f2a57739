"""Numbers with exponents, read and written exactly, against Python's decimal numbers."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.values import Values
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from layout_cards import compiled, deck, one_field, told

MOST = 10**18


def field(width: int, **options: Any) -> Any:
    defaults = {"form": "9.9E+99", "sign": "leading", "decimals": 6}
    return one_field(width, length=width, kind="exponent", **{**defaults, **options})


READ = [
    ("8.33E-4", 6, 833),
    ("4.0000E+05", 0, 400_000),
    ("9.023200+4", 1, 902_320),
    ("-1.5E3", 0, -1500),
    ("1.5D+02", 0, 150),
    ("  +1.5e02", 0, 150),
    ("1.5-2", 3, 15),
    ("15E2", 0, 1500),
    (".5E1", 0, 5),
    ("5.", 0, 5),
    ("12.25", 2, 1225),
    ("0.0E+00", 0, 0),
    ("-0.00E-99", 0, 0),
    ("0E999999999", 0, 0),
    ("9.99999999999999999E17", 0, 999_999_999_999_999_999),
    ("0000000000000000000000012E1", 0, 120),
    ("1200000E-5", 0, 12),
]


@pytest.mark.parametrize(("text", "decimals", "value"), READ)
def test_a_number_with_an_exponent_is_its_exact_value(text, decimals, value) -> None:
    layout = field(27, decimals=decimals)
    assert told(layout, deck(text.rjust(27), length=27)) == [value]


FAULTS = [
    ("1.5E", "not-a-number", None),
    ("E5", "not-a-number", 1),
    (".E5", "not-a-number", 2),
    ("1.2.3E4", "not-a-number", 4),
    ("1.5EE4", "not-a-number", 5),
    ("1.5E4-", "not-a-number", 6),
    ("1.5E4 ", "not-a-number", 6),
    ("1 5E4", "not-a-number", 2),
    ("1.5E 4", "not-a-number", 5),
    ("--1E4", "not-a-number", 2),
    ("1.5F4", "not-a-number", 4),
    ("1.5E+", "not-a-number", None),
    ("-", "not-a-number", None),
    ("1.5E-7", "not-exact", None),
    ("1.5E12", "not-exact", None),
    ("1E9999999", "not-exact", None),
    ("1E-9999999", "not-exact", None),
    ("1.2345678901234567890E0", "not-exact", None),
]


@pytest.mark.parametrize(("text", "reason", "column"), FAULTS)
def test_what_is_no_such_number_is_told_with_its_column(text, reason, column) -> None:
    width = len(text)
    layout = field(max(width, 7))
    card = deck(text.rjust(max(width, 7)), length=max(width, 7))
    values, (failure,) = layout.check(card)
    assert failure.reason == reason
    found = None if failure.column is None else int(failure.column[0]) - max(0, 7 - width)
    assert found == column
    assert not values["x"].present().any()


def test_the_sentences_say_what_should_stand_there() -> None:
    _, (failure,) = field(7).check(deck("1.5EE4".rjust(7), length=7))
    assert failure.detail == "should be a number such as 9.9E+99, with or without a sign before it"
    _, (failure,) = field(7, sign="none").check(deck("-1.5E4", length=7))
    assert failure.detail == "should be a number such as 9.9E+99, without a sign before it"
    _, (failure,) = field(7).check(deck("1.5E-9".rjust(7), length=7))
    assert failure.detail == "should be a multiple of 0.000001 of at most 18 digits (decimals = 6)"


def test_blank_missing_and_range_hold_as_for_other_numbers() -> None:
    layout = field(8, missing_values=["9.9E+99"], low="-1.5", high=2)
    cards = deck(" " * 8, " 9.9E+99", "-1.5E+00", "-1.6E+00", "  2.0E+0", " 2.1E+00", length=8)
    values, failures = layout.check(cards)
    assert values["x"].present().tolist() == [False, False, True, True, True, True]
    assert [(f.reason, f.rows.tolist()) for f in failures] == [("out-of-range", [3, 5])]
    assert told(field(8, blank="zero"), cards[:1]) == [0]
    assert told(field(8, blank="error"), cards[:1]) == ["blank"]


def test_a_point_that_is_not_punched_stands_where_the_form_says() -> None:
    layout = field(8, form="9V999E+9")
    assert told(layout, deck(" 1234E+2", " 1.50E+2", "    5E+0", length=8)) == [
        123_400_000, 150_000_000, 5_000,
    ]  # fmt: skip


def test_a_left_justified_number_has_its_blanks_behind() -> None:
    layout = field(9, justify="left")
    assert told(layout, deck("1.5E+00  ", "  1.5E+00", length=9)) == [1_500_000, "not-a-number"]


WRITTEN = [
    ("9.9999E+99", 2, 12_345, " 1.2345E+02"),
    ("9.9999E+99", 2, -12_345, "-1.2345E+02"),
    ("0.9999E+99", 4, 12, " 0.1200E-02"),
    (".9999E+99", 4, 12, "  .1200E-02"),
    (".9999E+99", 4, -12, " -.1200E-02"),
    ("9.999999+9", 1, 902_320, " 9.023200+4"),
    ("9.99D+999", 0, 150, "  1.50D+002"),
    ("9V99E+9", 0, 150, "     150E+2"),
    ("9E+9", 0, 500, "       5E+2"),
    ("9.9E+99", 3, 0, "    0.0E+00"),
]


@pytest.mark.parametrize(("form", "decimals", "value", "text"), WRITTEN)
def test_a_new_number_is_written_in_the_form(form, decimals, value, text) -> None:
    layout = field(11, form=form, decimals=decimals)
    base = np.full((1, 11), 32, np.uint8)
    assert layout.write({"x": values_of(value, decimals)}, base) == []
    assert base.tobytes().decode() == text
    assert told(layout, base) == [value]


def test_plus_and_left_justified_numbers_are_written_as_the_layout_says() -> None:
    base = np.full((2, 9), 32, np.uint8)
    values = Values("decimal", np.array([15, -15]), scale=1)
    assert field(9, plus="signed").write({"x": values}, base) == []
    assert [row.tobytes() for row in base] == [b" +1.5E+00", b" -1.5E+00"]
    assert (
        field(9, justify="left").write({"x": values}, base := np.full((2, 9), 32, np.uint8)) == []
    )
    assert [row.tobytes() for row in base] == [b"1.5E+00  ", b"-1.5E+00 "]


def test_what_the_form_cannot_hold_exactly_is_not_written() -> None:
    layout = field(8, form="9.9E+9", decimals=2)
    values = Values("decimal", np.array([125, 120, 10**12, -120]), scale=2)
    base = np.full((4, 8), 42, np.uint8)
    (failure,) = layout.write({"x": values}, base)
    assert (failure.reason, failure.rows.tolist()) == ("does-not-fit", [0, 2])
    assert failure.detail == "should be a number that 9.9E+9 can say in 8 columns with its sign"
    assert [row.tobytes() for row in base] == [b"*" * 8, b"  1.2E+0", b"*" * 8, b" -1.2E+0"]


def test_a_value_that_stands_there_already_keeps_its_columns() -> None:
    layout = field(10, form="9.9E+99")
    texts = ["   1.500E0", "  1.50D+00", "0000001.5 ".rjust(10), " 1.51E0   ".rjust(10)]
    base = deck(*texts, length=10).copy()
    values = Values("decimal", np.array([1_500_000, 1_500_000, 1_500_000, 1_500_000]), scale=6)
    assert layout.write({"x": values}, base) == []
    assert [row.tobytes().decode() for row in base] == [*texts[:2], "   1.5E+00", "   1.5E+00"]


def values_of(value: int, scale: int) -> Values:
    return Values("decimal", np.array([value]), scale=scale)


MANTISSAS = st.from_regex(r"[+-]?([0-9]{1,12}(\.[0-9]{0,8})?|\.[0-9]{1,8})", fullmatch=True)
EXPONENTS = st.from_regex(r"([EDed][+-]?|[+-])[0-9]{1,3}", fullmatch=True) | st.just("")


@given(st.lists(st.tuples(MANTISSAS, EXPONENTS), min_size=1, max_size=6), st.integers(0, 18))
def test_reading_is_as_exact_as_decimal_numbers_are(parts, decimals) -> None:
    layout = field(30, decimals=decimals)
    texts = ["".join(part) for part in parts]
    wanted: list[Any] = []
    for mantissa, exponent in parts:
        power = exponent.upper().replace("D", "E")
        power = power if power.startswith("E") or not power else f"E{power}"
        scaled = Decimal(mantissa + power).scaleb(decimals)
        exact = abs(scaled) < MOST and scaled == scaled.to_integral_value()
        wanted.append(int(scaled) if exact else "not-exact")
    found = told(layout, deck(*(text.rjust(30) for text in texts), length=30))
    long = [len(m.replace(".", "").lstrip("+-").lstrip("0")) > 18 for m, _ in parts]
    # more than 18 digits that count are not held, even where the last of them are zeros
    assert [f for f, skip in zip(found, long, strict=True) if not skip] == [
        w for w, skip in zip(wanted, long, strict=True) if not skip
    ]


FORMS = st.sampled_from(
    ["9.9E+9", "9.9999E+99", "0.99999999D+99", ".999+9", "9V9999E+99", "9E+99", "9.99999999+99"]
)


@given(
    FORMS,
    st.lists(st.integers(1 - MOST, MOST - 1) | st.integers(-999, 999), min_size=1, max_size=6),
    st.integers(0, 18),
    st.sampled_from(["left", "right"]),
    st.sampled_from(["bare", "signed"]),
)
def test_what_is_written_reads_as_the_same_number_or_does_not_fit(
    form, numbers, decimals, justify, plus
) -> None:
    layout = field(18, form=form, decimals=decimals, justify=justify, plus=plus)
    base = np.full((len(numbers), 18), 32, np.uint8)
    failures = layout.write({"x": Values("decimal", np.array(numbers), scale=decimals)}, base)
    bad = {row for failure in failures for row in failure.rows.tolist()}
    digits = form.partition("E")[0].partition("D")[0].partition("+")[0].count("9")
    for row, number in enumerate(numbers):
        text = base[row].tobytes().decode()
        if row in bad:
            assert not text.strip()
            figures = str(abs(number)).rstrip("0") or "0"
            size = Decimal(number).scaleb(-decimals).adjusted()
            assert len(figures) > digits or (form.endswith("+9") and abs(size) > 7)
        else:
            assert told(layout, base[row : row + 1]) == [number]


PROBLEMS = [
    ({"form": ""}, "form", "needs 'form', such as '9.9999E+99'"),
    ({"form": "YYMMDD"}, "form", "'YYMMDD' is no form of a number with an exponent"),
    ({"form": "9.9999"}, "form", "'9.9999' is no form"),
    ({"form": "9.9999E+99"}, "columns", "8 columns are too few for the form '9.9999E+99'"),
    ({"sign": "overpunch-right"}, "sign", "'overpunch-right'"),
    ({"point": "punched"}, "point", "makes no sense"),
    ({"fill": " "}, "fill", "makes no sense"),
    ({"low": "1E30"}, "low", "1E30 does not fit"),
    ({"low": 5, "high": 4}, "low", "low 5 is above high 4"),
]


@pytest.mark.parametrize(("options", "key", "sentence"), PROBLEMS)
def test_a_fault_of_the_layout_is_told_at_its_key(options, key, sentence) -> None:
    one = {"name": "x", "columns": "1-8", "kind": "exponent", "form": "9.9E+9", **options}
    ((place, what),) = layout_problems(LayoutSpec.model_validate({"field": [one]}))
    assert place == ("field", 0, key)
    assert sentence in what


def test_rules_and_card_types_take_it_for_a_decimal_number() -> None:
    one = {"name": "x", "columns": "2-9", "kind": "exponent", "form": "9.9E+9", "decimals": 2}
    two = {"name": "x", "columns": "2-9", "kind": "decimal", "decimals": 2}
    cards = [
        {"name": name, "when": [{"columns": "1", "is": [name.upper()]}], "field": [each]}
        for name, each in (("a", one), ("b", two))
    ]
    rule = {"name": "r", "holds": "x * 2 < 30.5", "message": "is much"}
    layout = compiled(record_length=9, card=cards, rule=[rule])
    _, failures = layout.check(deck("A  1.5E+1", "A  1.6E+1", "B00001500", "B00001600", length=9))
    assert [(f.reason, f.rows.tolist()) for f in failures] == [("rule:r", [1]), ("rule:r", [3])]

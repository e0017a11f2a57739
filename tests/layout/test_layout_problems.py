"""The layout file as a model: what is accepted, and every fault with its place and sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from deckwright.jobs.layouts import LayoutSpec, layout_problems


def problems(*fields, **tables):
    return layout_problems(LayoutSpec.model_validate({"field": list(fields), **tables}))


def field(columns="1-4", kind="whole", **options):
    return {"name": "x", "columns": columns, "kind": kind, **options}


def card(name="a", **options):
    when = [{"columns": "1", "is": ["A"]}]
    return {"name": name, "when": when, "field": [field()], **options}


FAULTY = [
    (field("79-81"), "columns", "columns 79-81 end beyond the 80 columns of the card"),
    (field(kind="text", decimals=2), "decimals", "'decimals' makes no sense for kind 'text'"),
    (field(kind="text", sign="leading"), "sign", "'sign' makes no sense for kind 'text'"),
    (field(kind="digits", low=1), "low", "'low' makes no sense for kind 'digits'"),
    (field(kind="date", form="YYYY", check={"scheme": "luhn"}), "check",
     "'check' makes no sense for kind 'date'"),
    (field(blank="text"), "blank", "blank = 'text' makes no sense for kind 'whole'"),
    (field(kind="digits", blank="zero"), "blank", "blank = 'zero' makes no sense"),
    (field(kind="choice"), "choices", "a choice needs 'choices'"),
    (field(kind="date"), "form", "a date needs 'form', such as 'YYYYMMDD'"),
    (field(kind="date", form="YYMMDD"), "form", "has 6 characters, the field 4 columns"),
    (field(kind="date", form="MMDD"), "form", "should say the year once, as YYYY or YY"),
    (field(kind="date", form="YYYY", low="57"), "low", "'57' is not a date of the form 'YYYY'"),
    (field(kind="date", form="YYYY", low="1958", high="1957"), "low", "low 1958 is after high"),
    (field(kind="choice", choices=["ABCDE"]), "choices", "'ABCDE' is longer than the 4 columns"),
    (field(kind="choice", choices=["\u20ac"]), "choices", "holds a character outside Latin-1"),
    (field(missing_values=["99999"]), "missing_values", "'99999' is longer than the 4 columns"),
    (field(missing_values=["  "]), "missing_values", "a blank field is what 'blank' is for"),
    (field(low=-1), "low", "-1 does not fit into 4 columns; the field holds 0 to 9999"),
    (field(high="10000"), "high", "10000 does not fit into 4 columns"),
    (field(low="low"), "low", "'low' is not a number"),
    (field(low=2, high=1), "low", "low 2 is above high 1"),
    (field(kind="decimal", decimals=2, high=100), "high", "the field holds 0 to 99.99"),
    (field(kind="decimal", decimals=4, point="punched"), "columns", "too few for a point and 4"),
    (field("1-19"), "columns", "a number has at most 18 columns; use kind 'digits'"),
    (field("1", sign="leading"), "sign", "one column is too narrow for a sign and a digit"),
    (field(fill="0", justify="left"), "fill", "zeros on the right would change the value"),
    (field(sign="overpunch-right", overpunch={"11": "trace"}), "overpunch",
     "a field with a sign cannot have flag zones too"),
    (field(zone_alone="flag"), "zone_alone", "'zone_alone' needs 'overpunch'"),
    (field(overpunch={"11": "a", "12": "a"}), "overpunch", "both zones have the same word"),
    (field(overpunch={"11": " "}), "overpunch", "should be Latin-1 text and not blank"),
    (field(repeat=2), "name", "a repeated field, and only that, holds {n} in its name"),
    (field(step=9), "step", "a step goes with repeat"),
    ({**field("1-5", repeat=2, step=4, shares=True), "name": "x_{n}"}, "step",
     "a step of 4 is less than the 5"),
    ({**field(), "name": "x_{n}"}, "name", "a repeated field, and only that, holds {n}"),
    ({**field(), "name": "card"}, "name", "the name 'card' is reserved"),
    ({**field(), "name": "card_type"}, "name", "the name 'card_type' is reserved"),
    (field(check={"scheme": "mod11"}), "check", "scheme 'mod11' needs 'weights'"),
    (field(check={"scheme": "luhn", "weights": [1]}), "check", "scheme 'luhn' has no 'weights'"),
    (field(check={"scheme": "mod10", "weights": [0]}), "check", "weights should lie between"),
    (field(check={"scheme": "luhn", "over": "5-9"}), "check", "scheme 'luhn' has no 'over'"),
    (field("9", check={"scheme": "sum10"}), "check", "scheme 'sum10' needs 'over'"),
    (field("9", check={"scheme": "sum10", "over": "1-9"}), "check", "leave out the check digit"),
    (field("1", check={"scheme": "luhn"}), "check", "1 column(s) are too few for a number"),
    (field("1-2", check={"scheme": "mod97-10"}), "check", "2 column(s) are too few"),
    (field(check={"scheme": "luhn", "digit_columns": "5"}), "check", "lie outside the field 1-4"),
    (field(check={"scheme": "luhn", "digit_columns": "1-2"}), "check", "has 1 check column(s)"),
    (field(check={"scheme": "mod37-2"}), "check", "should be of kind 'text'"),
    (field(check={"scheme": "mod11", "weights": [2], "x": True}), "check", "'x' is for scheme"),
    (field(check={"scheme": "luhn"}, sign="leading"), "check", "cannot have a check digit"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "key", "sentence"), FAULTY)
def test_a_fault_of_a_field_is_told_at_its_key(table, key, sentence):
    (found,) = problems(table)
    assert found[0] == ("field", 0, key)
    assert sentence in found[1]
    assert not found[1][0].isupper()
    assert not found[1].endswith(".")


REFUSED = [
    (field("8-3"), "should run from the lower to the higher column, 3-8"),
    (field("0-3"), "pattern"),
    (field("1-40000"), "should end at or before column 32760"),
    ({**field(), "name": "X"}, "should be a lower-case letter"),
    ({**field(), "name": "x{m}"}, "should be a lower-case letter"),
    (field(kind="number"), "Input should be 'text'"),
    (field(decimal=2), "Extra inputs are not permitted"),
    (field(overpunch={"10": "x"}), "Input should be '11' or '12'"),
    (field(repeat=0), "greater than or equal to 1"),
]


@pytest.mark.parametrize(("table", "sentence"), REFUSED)
def test_a_table_of_the_wrong_shape_is_refused(table, sentence):
    with pytest.raises(ValidationError, match=sentence):
        problems(table)


def test_columns_may_overlap_only_where_that_is_said():
    first = field("1-4")
    second = {**field("3-6"), "name": "y"}
    assert problems(first, second) == [
        (("field", 1, "columns"),
         "columns 3-6 overlap field 'x'; write 'shares = true' if that is meant"),
    ]  # fmt: skip
    assert problems(first, {**second, "shares": True}) == []


def test_two_fields_of_one_name_are_a_fault_and_so_is_a_flag_of_that_name():
    assert problems(field("1-4"), field("5-8")) == [
        (("field", 1, "name"), "there are two fields 'x'"),
    ]
    flag = {**field("5-8", kind="text"), "name": "x_flag"}
    assert problems(field(overpunch={"11": "trace"}), flag) == [
        (("field", 1, "name"), "there are two fields 'x_flag'"),
    ]


def test_repeated_fields_stand_side_by_side_with_their_check_digits():
    spec = LayoutSpec.model_validate({"field": [
        {"name": "fall_{n:02}", "label": "day {n}", "columns": "16-19", "repeat": 3, "first": 9,
         "kind": "digits", "check": {"scheme": "luhn", "digit_columns": "16"}},
    ]})  # fmt: skip
    ((_, fields),) = spec.card_fields()
    assert [(f.name, f.span, f.label) for f in fields] == [
        ("fall_09", (16, 19), "day 9"), ("fall_10", (20, 23), "day 10"),
        ("fall_11", (24, 27), "day 11"),
    ]  # fmt: skip
    assert [f.check.digit_columns for f in fields if f.check] == ["16-16", "20-20", "24-24"]
    assert layout_problems(spec) == []


def test_repeated_fields_may_not_run_off_the_card_or_into_others():
    many = {**field("70-73", repeat=3), "name": "x_{n}"}
    other = {**field("75"), "name": "y"}
    assert [place for place, _ in problems(many)] == [("field", 0, "columns")]
    assert [what for _, what in problems(other, {**many, "repeat": 2})] == [
        "columns 74-77 overlap field 'y'; write 'shares = true' if that is meant",
    ]


def test_a_layout_has_fields_or_card_types():
    assert problems()[0] == ((), "a layout needs [[field]] or [[card]] tables; there are none")


CARDS = [
    ({"when": []}, ("card", 0), "needs one of 'when', 'blank = true' and 'otherwise = true'"),
    ({"blank": True}, ("card", 0), "needs one of 'when', 'blank = true' and 'otherwise = true'"),
    ({"when": [{"columns": "1"}]}, ("card", 0, "when", 0), "needs either 'is' or 'not'"),
    (
        {"when": [{"columns": "1", "is": ["AB"]}]},
        ("card", 0, "when", 0),
        "should be 1 character long",
    ),
    ({"when": [{"columns": "81", "is": ["A"]}]}, ("card", 0, "when", 0, "columns"), "beyond"),
    ({"field": [field("90")]}, ("card", 0, "field", 0, "columns"), "beyond"),
]


@pytest.mark.parametrize(("change", "place", "sentence"), CARDS)
def test_a_fault_of_a_card_type_is_told_at_its_place(change, place, sentence):
    ((where, what),) = problems(card=[card(**change)])
    assert where == place
    assert sentence in what


def test_card_types_have_names_of_their_own_and_fields_of_one_shape():
    assert problems(card=[card(), card()])[0] == (
        ("card", 1, "name"), "there are two card types 'a'",
    )  # fmt: skip
    other = card("b", field=[field(kind="decimal", decimals=1)])
    ((place, what),) = problems(card=[card(), other])
    assert place == ("card", 1, "field", 0, "kind")
    assert "has another kind, width or scale in another card type" in what
    text = card("b", field=[field("1-9", kind="whole")])
    assert problems(card=[card(), text]) == []


def rule(holds, **options):
    return {"name": "r", "holds": holds, "message": "is wrong", **options}


RULES = [
    (rule("x >"), "holds", "does not parse"),
    (rule("y > 1"), "holds", "unknown field 'y'"),
    (rule("statoin > 1"), "holds", "unknown field 'statoin'; did you mean 'station'"),
    (rule("1 = 1"), "holds", "the expression names no field"),
    (rule("x + 1"), "holds", "the expression should be true or false; it is a whole number"),
    (rule("nosuch(x) = 1"), "holds", "unsupported function 'nosuch'"),
    (rule("read_csv('f') = x"), "holds", "is not understood"),
    (rule("x = SUM(x)"), "holds", "SUM needs more than one card"),
    (rule("x IN (SELECT 1)"), "holds", "SELECT needs more than one card"),
    (rule("LAG(x) OVER (ORDER BY x) = 1"), "holds", "needs more than one card"),
    (rule("CURRENT_DATE > DATE '1957-01-01' AND x = 1"), "holds", "depends on the day of the run"),
    (rule("x = 1", fields=["z"]), "fields", "unknown field 'z'"),
    (rule("x = 1", card="day"), "card", "unknown card type 'day'"),
    (rule("EXTRACT(MONTH FROM x) = 1"), "holds", "cannot be worked out"),
]


@pytest.mark.parametrize(("table", "key", "sentence"), RULES)
def test_a_fault_of_a_rule_is_told_at_its_key(table, key, sentence):
    station = {**field("5-8"), "name": "station"}
    ((place, what),) = problems(field(), station, rule=[table])
    assert place == ("rule", 0, key)
    assert sentence in what


def test_words_in_quotes_are_no_part_of_an_expression():
    text = field(kind="text")
    assert problems(text, rule=[rule("x <> 'SELECT SUM(a) OVER'")]) == []


def test_a_rule_may_speak_of_flags_and_of_the_card_type():
    flags = card(field=[field(overpunch={"11": "trace"})])
    held = rule("card_type <> 'a' OR x_flag = 'trace'", card="a")
    assert problems(card=[flags], rule=[held]) == []
    assert problems(card=[flags], rule=[held, held])[0] == (
        ("rule", 1, "name"), "there are two rules 'r'",
    )  # fmt: skip


DATE_FORMS = ["YYYYMMDD", "DD/MM/YY", "YYDDD", "YYYY", "MM.YYYY"]


@pytest.mark.parametrize("form", DATE_FORMS)
def test_date_forms_with_one_year_are_accepted(form):
    assert problems(field(f"1-{len(form)}", kind="date", form=form)) == []


@pytest.mark.parametrize("form", ["YYYYYY", "YYMMMM", "YYDDDMM", "YYDD", "AYYYY", "DDMM", "YYYYQ"])
def test_other_date_forms_are_faults(form):
    found = problems(field(f"1-{len(form)}", kind="date", form=form))
    assert [place for place, _ in found] == [("field", 0, "form")]


@given(first=st.integers(1, 80), width=st.integers(1, 80))
def test_a_field_is_on_the_card_or_a_fault(first, width):
    last = first + width - 1
    found = problems(field(f"{first}-{last}", kind="text"))
    assert bool(found) == (last > 80)

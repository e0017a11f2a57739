"""What a layout says once for all card types: common fields, defaults, blank columns, the rest."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.jobs.layouts import LayoutSpec, layout_problems
from layout_cards import compiled, deck, told

ID = {"name": "id", "columns": "2-4", "kind": "digits"}
NUMBER = {"name": "n", "columns": "5-7", "kind": "whole"}


def kind_of_card(letter: str, **options: Any) -> dict[str, Any]:
    if not ({"otherwise", "blank"} & options.keys()):
        options["when"] = [{"columns": "1", "is": [letter]}]
    return {"name": letter.lower(), **options}


def problems(**tables: Any) -> list[tuple[tuple[str | int, ...], str]]:
    return layout_problems(LayoutSpec.model_validate(tables))


def test_fields_beside_card_types_are_those_of_every_type() -> None:
    layout = compiled(
        record_length=10, field=[ID], card=[kind_of_card("A", field=[NUMBER]), kind_of_card("B")],
        rule=[{"name": "low", "holds": "id < '500'", "message": "is high", "card": "b"}],
    )  # fmt: skip
    text = deck("A001012   ", "B900xxx   ", "C003      ", "B00X      ", length=10)
    values, failures = layout.check(text)
    assert layout.field_names == ["card_type", "id", "n"]
    assert values["id"].present().tolist() == [True, True, False, False]
    assert values["n"].present().tolist() == [True, False, False, False]
    assert {(f.reason, tuple(f.rows.tolist())) for f in failures} == {
        ("unknown-card-type", (2,)), ("not-a-digit", (3,)), ("rule:low", (1,)),
    }  # fmt: skip


def test_a_common_field_and_one_of_a_type_may_not_meet() -> None:
    same = kind_of_card("A", field=[{**ID, "columns": "5-7"}])
    assert problems(field=[ID], card=[same]) == [
        (("card", 0, "field", 0, "name"), "there are two fields 'id'")
    ]
    over = kind_of_card("A", field=[{**NUMBER, "columns": "4-7"}])
    ((place, what),) = problems(field=[ID], card=[over])
    assert place == ("card", 0, "field", 0, "columns")
    assert "overlap field 'id'" in what
    shared = kind_of_card("A", field=[{**NUMBER, "columns": "4-7", "shares": True}])
    assert problems(field=[ID], card=[shared, kind_of_card("B", field=[NUMBER])]) == []


@given(st.text("ABC ", min_size=1, max_size=30), st.integers(0, 2))
def test_the_otherwise_type_takes_what_no_other_type_takes(letters: str, place: int) -> None:
    types = [kind_of_card("A"), kind_of_card("B")]
    types.insert(place, kind_of_card("R", otherwise=True, field=[NUMBER]))
    layout = compiled(record_length=10, field=[ID], card=types)
    text = deck(*(f"{letter}001002   " for letter in letters), length=10)
    names = [layout.card_names[kind] for kind in layout.card_types(text)]
    assert names == [{"A": "a", "B": "b"}.get(letter, "r") for letter in letters]
    values, failures = layout.check(text)
    assert failures == []
    assert values["n"].present().tolist() == [name == "r" for name in names]


def test_the_blank_card_is_no_otherwise_card_where_it_has_a_type() -> None:
    rest, gap = kind_of_card("R", otherwise=True), kind_of_card("G", blank=True)
    layout = compiled(record_length=10, field=[ID], card=[rest, gap])
    assert layout.card_types(deck(" " * 10, "X001      ", length=10)).tolist() == [1, 0]


WAYS = "needs one of 'when', 'blank = true' and 'otherwise = true'"


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"blank": True, "otherwise": True},
        {"when": [{"columns": "1", "is": ["A"]}], "otherwise": True},
    ],
)
def test_a_type_says_in_one_way_which_cards_it_takes(options: dict[str, Any]) -> None:
    found = problems(card=[{"name": "a", "field": [ID], **options}])
    assert found == [(("card", 0), f"card type 'a' {WAYS}")]


def test_there_is_one_otherwise_type() -> None:
    found = problems(
        field=[ID], card=[kind_of_card("A", otherwise=True), kind_of_card("B", otherwise=True)]
    )
    assert found == [(("card", 1, "otherwise"), "card type 'a' takes all other cards already")]


DEFAULTS: list[tuple[dict[str, Any], dict[str, Any], str]] = [
    ({"fill": " "}, {"kind": "whole"}, "  7"),
    ({"fill": " "}, {"kind": "digits"}, "  7"),
    ({"sign": "leading"}, {"kind": "whole"}, "-07"),
    ({"sign": "leading", "fill": " "}, {"kind": "decimal", "decimals": 1}, " -7"),
    ({"decimals": 2, "point": "punched", "fill": " "}, {"kind": "decimal"}, "7.1"),
    ({"missing_values": ["999"]}, {"kind": "whole"}, "999"),
]


@pytest.mark.parametrize(("defaults", "options", "text"), DEFAULTS)
def test_a_default_is_as_if_each_field_had_said_it(
    defaults: dict[str, Any], options: dict[str, Any], text: str
) -> None:
    field = {"name": "x", "columns": "1-3"}
    once = compiled(record_length=3, defaults=defaults, field=[{**field, **options}])
    each = compiled(record_length=3, field=[{**field, **options, **defaults}])
    bare = compiled(record_length=3, field=[{**field, **options}])
    card = deck(text, length=3)
    assert told(once, card) == told(each, card)
    assert told(once, card) != told(bare, card)


def test_what_a_field_says_itself_goes_before_a_default() -> None:
    field = {"name": "x", "columns": "1-3", "kind": "whole", "fill": "0"}
    layout = compiled(record_length=3, defaults={"fill": " "}, field=[field])
    assert told(layout, deck("  7", length=3)) == ["leading-blank"]


def test_a_default_counts_where_a_field_can_have_it_and_nowhere_else() -> None:
    """A text has no sign, one column has no room for one, a check digit goes with none."""
    fields = [
        {"name": "t", "columns": "1-3", "kind": "text"},
        {"name": "one", "columns": "4", "kind": "whole"},
        {"name": "n", "columns": "5-7", "kind": "whole"},
        {"name": "c", "columns": "8-10", "kind": "digits", "check": {"scheme": "luhn"}},
    ]
    spec = LayoutSpec.model_validate(
        {"record_length": 10, "field": fields, "defaults": {"sign": "leading", "blank": "zero"}}
    )
    assert layout_problems(spec) == []
    assert [(one.sign, one.blank) for one in spec.field] == [
        ("none", "missing"), ("none", "zero"), ("leading", "zero"), ("none", "missing"),
    ]  # fmt: skip


def test_defaults_hold_for_the_fields_of_card_types_too() -> None:
    layout = compiled(
        record_length=10, defaults={"fill": " "}, field=[ID],
        card=[kind_of_card("A", field=[NUMBER])],
    )  # fmt: skip
    assert told(layout, deck("A  1  7   ", length=10), "n") == [7]


def test_an_unknown_default_is_a_fault() -> None:
    with pytest.raises(ValueError, match="columns"):
        LayoutSpec.model_validate({"field": [ID], "defaults": {"columns": "1-3"}})


def blank_elsewhere(**options: Any) -> Any:
    fields = [{**ID, "columns": "1-3"}, {**NUMBER, "columns": "6-7"}]
    return compiled(record_length=10, field=fields, elsewhere="blank", **options)


def test_columns_that_no_field_names_must_be_blank_where_the_layout_says_so() -> None:
    text = deck("001  07   ", "001X 07   ", "001  07  Y", "001 Z07X Y", length=10)
    _, failures = blank_elsewhere().check(text)
    found = [
        (f.reason, f.field, f.columns, f.rows.tolist(), list(f.column), f.severity)
        for f in failures
    ]
    assert found == [
        ("not-blank", "", (4, 5), [1, 3], [4, 5], "fatal"),
        ("not-blank", "", (8, 10), [2, 3], [10, 8], "fatal"),
    ]
    assert failures[0].detail == "no field names these columns; they should be blank"
    _, failures = blank_elsewhere(elsewhere_severity="query").check(text)
    assert {f.severity for f in failures} == {"query"}


CELLS = st.text(" 0X", min_size=10, max_size=10)


@given(st.lists(CELLS, min_size=1, max_size=8))
def test_every_column_outside_fields_is_looked_at(cards: list[str]) -> None:
    _, failures = blank_elsewhere().check(deck(*cards, length=10))
    found = {
        (row, int(column))
        for f in failures
        if f.reason == "not-blank"
        for row, column in zip(f.rows.tolist(), f.column, strict=True)
    }
    wanted = set()
    for row, card in enumerate(cards):
        for first, last in ((4, 5), (8, 10)):
            punched = [c for c in range(first, last + 1) if card[c - 1] != " "]
            wanted |= {(row, punched[0])} if punched else set()
    assert found == wanted


def test_columns_that_tell_the_type_are_named_by_it() -> None:
    layout = compiled(
        record_length=10, elsewhere="blank", field=[ID],
        card=[kind_of_card("A", field=[NUMBER]), kind_of_card("R", otherwise=True)],
    )  # fmt: skip
    text = deck("A001002   ", "R001002   ", " 001      ", length=10)
    _, failures = layout.check(text)
    found = [
        (f.reason, f.columns, f.rows.tolist(), np.asarray(f.column).tolist()) for f in failures
    ]
    assert found == [("not-blank", (1, 1), [1], [1]), ("not-blank", (5, 10), [1], [5])]

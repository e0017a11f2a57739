"""Cards as a whole: types of card, rules, and columns that hold no character."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.values import Values
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.reading import Layout
from layout_cards import compiled, deck, one_field


def marked(layout, text, *, illegal=(), bad=""):
    holes = np.zeros(text.shape, np.uint16)
    legal = np.ones(4096, np.bool_)
    legal[0xFFF] = False
    text = text.copy()
    for row, column in illegal:
        holes[row, column - 1] = 0xFFF
        text[row, column - 1] = 0x1A
    undefined = np.zeros(256, np.bool_)
    undefined[list(bad.encode("latin-1"))] = True
    return text, holes, legal, undefined


def test_an_illegal_pattern_is_the_one_reason_of_its_field():
    layout = one_field(4, first=3, kind="whole")
    text = marked(layout, deck("12x4", "1234", "1234", first=3), illegal=[(0, 4), (1, 80)])
    values, (failure,) = layout.check(*text)
    assert (failure.reason, failure.rows.tolist(), failure.column.tolist()) == (
        "illegal-pattern", [0], [4],
    )  # fmt: skip
    assert values["x"].present().tolist() == [False, True, True]


def test_a_character_that_the_code_lacks_makes_a_text_unreadable():
    layout = one_field(5, kind="text")
    text = marked(layout, deck("AB~DE", "ABCDE", "A\xe9CDE"), bad="~\xe9")
    values, (failure,) = layout.check(*text)
    assert (failure.reason, failure.rows.tolist()) == ("undefined-character", [0, 2])
    assert failure.column.tolist() == [3, 2]
    assert values["x"].present().tolist() == [False, True, False]
    assert layout.read(text[0], ["x"], *text[1:])["x"].present().tolist() == [False, True, False]


def test_a_byte_1a_that_is_a_character_is_no_illegal_pattern():
    layout = one_field(1, kind="text")
    text, holes, legal, _ = marked(layout, deck("\x1a"))
    assert layout.check(text, holes, legal)[1] == []


def test_zeros_with_a_zone_are_read_from_the_holes_where_the_code_shows_them_otherwise():
    # 64-character six-bit codes print 12-0 as ? and 11-0 as ! (published table)
    layout = one_field(3, kind="whole", sign="overpunch-right")
    text = deck("10!", "10?", "10!")
    holes = np.zeros(text.shape, np.uint16)
    holes[:, 2] = [0x600, 0xA00, 0x482]  # the last is 11-2-8, a true exclamation mark
    values, (failure,) = layout.check(text, holes)
    assert values["x"].data.tolist() == [-100, 100, 0]
    assert failure.rows.tolist() == [2]


def test_a_field_of_holes_is_held_as_patterns():
    layout = one_field(2, first=5, kind="holes", blank="error")
    holes = np.zeros((2, 80), np.uint16)
    holes[0, 4:6] = [0xFFF, 0x001]
    values, (failure,) = layout.check(deck("", ""), holes)
    assert values["x"].data.tolist() == [[0xFFF, 1], [0, 0]]
    assert (failure.reason, failure.rows.tolist()) == ("blank", [1])
    _, (failure,) = layout.check(deck("", ""))
    assert (failure.reason, failure.rows.tolist()) == ("no-holes", [0, 1])


def two_types():
    return compiled(
        record_length=10,
        card=[
            {"name": "head", "when": [{"columns": "1", "is": ["H", "K"]},
                                      {"columns": "10", "not": ["X"]}],
             "field": [{"name": "id", "columns": "2-4", "kind": "digits"},
                       {"name": "note", "columns": "5-9", "kind": "text"}]},
            {"name": "line", "when": [{"columns": "1", "is": ["L"]}],
             "field": [{"name": "n", "columns": "5-6", "kind": "whole", "repeat": 2,
                        "high": 50} | {"name": "n_{n}"},
                       {"name": "id", "columns": "2-4", "kind": "digits"},
                       {"name": "note", "columns": "9", "kind": "text"}]},
            {"name": "gap", "blank": True},
        ],
        rule=[
            {"name": "rising", "holds": "n_2 >= n_1", "message": "falls"},
            {"name": "odd-head", "card": "head", "holds": "note <> 'BAD'", "message": "is bad"},
        ],
    )  # fmt: skip


def test_cards_of_several_types_are_read_each_by_its_own_fields():
    layout = two_types()
    text = deck("H001ABC   ", "L0020102Z ", " " * 10, "Q", "H001    *X", "K003BAD   ", length=10)
    assert layout.card_types(text).tolist() == [0, 1, 2, -1, -1, 0]
    values, failures = layout.check(text)
    assert list(values) == layout.field_names == ["card_type", "id", "note", "n_1", "n_2"]
    types = [bytes(word).decode().strip() for word in values["card_type"].data]
    assert types == ["head", "line", "gap", "", "", "head"]
    assert values["card_type"].present().tolist() == [True, True, True, False, False, True]
    assert [bytes(t) for t in values["id"].data] == [b"001", b"002", *[b"   "] * 3, b"003"]
    assert [bytes(t) for t in values["note"].data[:2]] == [b"ABC  ", b"Z    "]
    assert values["n_1"].present().tolist() == [False, True, False, False, False, False]
    found = [(f.reason, f.field, f.columns, f.rows.tolist()) for f in failures]
    assert found == [
        ("unknown-card-type", "card_type", (1, 10), [3, 4]),
        ("rule:odd-head", "note", (5, 9), [5]),
    ]


def test_a_rule_for_one_card_type_judges_no_other():
    fields = [{"name": "id", "columns": "2-4", "kind": "digits"}]
    types = [{"name": name, "when": [{"columns": "1", "is": [name.upper()]}], "field": fields}
             for name in ("a", "b")]  # fmt: skip
    rule = {"name": "low", "card": "b", "holds": "id < '500'", "message": "is high"}
    text = deck("A900", "B900", "B100", "A100", length=10)
    _, failures = compiled(record_length=10, card=types, rule=[rule]).check(text)
    assert [(f.reason, f.rows.tolist()) for f in failures] == [("rule:low", [1])]
    _, failures = compiled(record_length=10, card=types, rule=[{**rule, "card": ""}]).check(text)
    assert sorted(row for f in failures for row in f.rows.tolist()) == [0, 1]


@given(st.text("abdehil ", max_size=9))
def test_a_card_type_is_its_whole_word(word):
    """What only begins with the name of a type is another word."""
    layout = two_types()
    data = np.frombuffer(f"{word:<9}".encode(), np.uint8)[None, :].copy()
    base = deck(" " * 10, length=10).copy()
    values = {"card_type": Values("text", data), "id": text_values("777")}
    layout.write(values, base)
    assert (bytes(base[0, 1:4]) == b"777") == (word.rstrip() in {"head", "line"})
    for known in ("head", "line"):
        for more in ("", "s", " x"):
            base = deck(" " * 10, length=10).copy()
            values["card_type"] = text_values(f"{known}{more}")
            layout.write(values, base)
            assert (bytes(base[0, 1:4]) == b"777") == (not more)


def text_values(word):
    return Values("text", np.frombuffer(word.encode(), np.uint8)[None, :].copy())


@given(st.lists(st.sampled_from(["H001ABC   ", "L0029902Z ", "L0x20199  ", "?", ""]), max_size=9))
def test_the_mix_of_types_does_not_change_what_a_card_says(cards):
    layout = two_types()
    text = (
        deck(*(card.ljust(10) for card in cards), length=10) if cards else np.zeros((0, 10), "u1")
    )
    values, failures = layout.check(text)
    for row in range(len(cards)):
        alone, own = layout.check(text[row : row + 1])
        for name, value in alone.items():
            assert value.data[0].tolist() == values[name].data[row].tolist()
            assert value.present()[0] == values[name].present()[row]
        mine = sorted((f.reason, f.field) for f in failures if row in f.rows)
        assert mine == sorted((f.reason, f.field) for f in own)


def test_reading_some_fields_gives_what_checking_gives():
    layout = two_types()
    text = deck("H001ABC   ", "L0020102Z ", "Lx0201x2  ", length=10)
    values, _ = layout.check(text)
    for name in layout.field_names:
        read = layout.read(text, [name])
        assert list(read) == [name]
        assert read[name].data.tolist() == values[name].data.tolist()
        assert read[name].present().tolist() == values[name].present().tolist()


def test_an_unknown_field_is_a_key_error():
    with pytest.raises(KeyError, match="nothing"):
        two_types().read(deck("H", length=10), ["nothing"])


def test_a_rule_is_not_judged_where_a_field_of_it_cannot_be_read():
    layout = compiled(
        field=[
            {"name": "a", "columns": "1-2", "kind": "whole"},
            {"name": "b", "columns": "3-4", "kind": "whole"},
        ],
        rule=[
            {"name": "both", "holds": "(a IS NULL) = (b IS NULL)", "message": "one is blank",
             "severity": "query", "fields": ["b", "a"]},
        ],
    )  # fmt: skip
    _, failures = layout.check(deck("0102", "01  ", "01xx", "    "))
    assert [(f.reason, f.rows.tolist(), f.severity) for f in failures] == [
        ("not-a-digit", [2], "fatal"),
        ("rule:both", [1], "query"),
    ]
    rule = failures[1]
    assert (rule.field, rule.columns, rule.fields) == ("b", (3, 4), ("b", "a"))
    assert rule.detail == "one is blank"


def test_a_rule_that_comes_to_null_holds():
    layout = compiled(
        field=[
            {"name": "opened", "columns": "1-4", "kind": "date", "form": "YYYY"},
            {"name": "closed", "columns": "5-8", "kind": "date", "form": "YYYY"},
        ],
        rule=[{"name": "order", "holds": "closed >= opened", "message": "closes before it opens"}],
    )
    _, (failure,) = layout.check(deck("19571956", "19571957", "1957    ", "        "))
    assert failure.rows.tolist() == [0]


def test_a_compiled_layout_travels_between_processes():
    layout = two_types()
    text = deck("H001BAD   ", "L0020201  ", length=10)
    before, after = layout.check(text)[1], pickle.loads(pickle.dumps(layout)).check(text)[1]  # noqa: S301 # what was pickled here
    assert [f.reason for f in before] == [f.reason for f in after] != []


def test_what_a_layout_tells_of_its_fields():
    layout = compiled(
        field=[
            {"name": "x", "columns": "1-4", "kind": "decimal", "decimals": 1,
             "overpunch": {"11": "trace"}},
            {"name": "y", "columns": "5", "kind": "choice", "choices": ["1"]},
        ]
    )  # fmt: skip
    assert layout.field_names == ["x", "x_flag", "y"]
    assert layout.value_kind("x") == ("decimal", 1, 4)
    assert layout.value_kind("x_flag") == ("text", 0, 5)
    assert layout.columns("x_flag") == [(1, 4)]
    assert two_types().columns("note") == [(5, 9), (9, 9)]
    assert layout.columns("z") == []


def test_values_and_their_flags_repeat_with_the_step_of_the_group() -> None:
    # an invented month record: 31 values of five columns, each with a flag letter behind it
    table = {
        "record_length": 207,
        "field": [
            {"name": "station", "columns": "1-21", "kind": "text"},
            {
                "name": "value_{n:02}", "columns": "22-26", "kind": "whole", "fill": " ",
                "sign": "leading", "missing_values": ["-9999"], "repeat": 31, "step": 6,
            },
            {"name": "mark_{n:02}", "columns": "27", "kind": "text", "repeat": 31, "step": 6},
        ],
    }  # fmt: skip
    spec = LayoutSpec.model_validate(table)
    assert layout_problems(spec) == []
    layout = Layout(spec, "month")
    assert layout.columns("value_02") == [(28, 32)]
    assert layout.columns("mark_31") == [(207, 207)]
    groups = "".join(f"{day - 16:5}{'Q' if day % 2 else ' '}" for day in range(1, 31)) + "-9999 "
    text = np.frombuffer(f"{'ORRIN 1':21}{groups}".encode(), np.uint8).reshape(1, -1)
    values, failures = layout.check(text)
    assert failures == []
    assert [int(values[f"value_{day:02}"].data[0]) for day in range(1, 31)] == list(range(-15, 15))
    assert values["value_31"].missing is not None
    assert values["mark_01"].data.tobytes() == b"Q"
    base = np.full((1, 207), 32, np.uint8)
    assert layout.write(values, base) == []
    assert base[0, :201].tobytes() == text[0, :201].tobytes()

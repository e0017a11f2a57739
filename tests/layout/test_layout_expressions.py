"""Fields as Polars columns and back, and expressions over them."""

from __future__ import annotations

import datetime as dt
import pickle
from decimal import Decimal

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import ASCII_LATIN
from deckwright.cards.values import Values
from deckwright.layout.expressions import Expression, series, values_of

EPOCH = dt.date(1970, 1, 1)
WHOLE = st.integers(-(2**63), 2**63 - 1)
GONE = st.booleans()


def gone(flags):
    return np.array(flags, np.bool_)


def cells(*texts):
    width = max(1, *map(len, texts))
    raw = "".join(text.ljust(width) for text in texts).encode("latin-1")
    return np.frombuffer(raw, np.uint8).reshape(len(texts), width)


def same(left, right):
    assert left.kind == right.kind
    assert left.scale == right.scale
    assert left.data.dtype == right.data.dtype
    assert left.present().tolist() == right.present().tolist()
    present = left.present()
    assert left.data[present].tolist() == right.data[present].tolist()


@given(st.lists(st.tuples(WHOLE, GONE), min_size=1))
def test_whole_numbers_go_to_polars_and_back(rows):
    values = Values("whole", np.array([n for n, _ in rows], np.int64), gone([g for _, g in rows]))
    column = series(values, "n")
    assert (column.name, column.dtype) == ("n", pl.Int64)
    assert column.to_list() == [None if g else n for n, g in rows]
    back, misfit = values_of(column, "whole", 0, 0)
    assert not misfit.any()
    same(values, back)


@given(st.lists(st.tuples(WHOLE, GONE), min_size=1), st.integers(0, 18))
def test_decimal_numbers_go_to_polars_and_back_exactly(rows, scale):
    data = np.array([n for n, _ in rows], np.int64)
    values = Values("decimal", data, gone([g for _, g in rows]), scale)
    column = series(values, "d")
    assert column.dtype == pl.Decimal(38, scale)
    assert column.to_list() == [None if g else Decimal(n).scaleb(-scale) for n, g in rows]
    back, misfit = values_of(column, "decimal", scale, 0)
    assert not misfit.any()
    same(values, back)


@given(st.lists(st.tuples(st.dates(), GONE), min_size=1))
def test_dates_go_to_polars_and_back(rows):
    data = np.array([(date - EPOCH).days for date, _ in rows], np.int32)
    values = Values("date", data, gone([g for _, g in rows]))
    column = series(values, "day")
    assert column.to_list() == [None if g else date for date, g in rows]
    back, misfit = values_of(column, "date", 0, 0)
    assert not misfit.any()
    same(values, back)


LATIN = st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=20)


@given(st.lists(st.tuples(LATIN, GONE), min_size=1))
def test_texts_go_to_polars_without_trailing_blanks_and_back(rows):
    values = Values("text", cells(*(text for text, _ in rows)), gone([g for _, g in rows]))
    for alphabet in (None, ASCII_LATIN):
        column = series(values, "t", alphabet)
        assert column.to_list() == [None if g else text.rstrip(" ") for text, g in rows]
        back, misfit = values_of(column, "text", 0, values.data.shape[1], alphabet)
        assert not misfit.any()
        same(values, back)


def test_texts_are_read_in_the_alphabet_of_their_code():
    code = load_code("cp1251")
    raw = code.alphabet.encode("\u0414\u041e\u0416\u0414\u042c ")
    column = series(Values("text", np.frombuffer(raw, np.uint8).reshape(1, -1)), "t", code.alphabet)
    assert column.to_list() == ["\u0414\u041e\u0416\u0414\u042c"]
    back, misfit = values_of(column, "text", 0, 6, code.alphabet)
    assert (back.data.tobytes(), misfit.any()) == (raw, np.False_)


@pytest.mark.parametrize("code", ["commercial-48", "scientific-64", "cp864"])
def test_words_that_a_layout_gives_are_shown_whatever_the_code_of_the_cards(code):
    words = np.array([list(b"about 5%"), list(b"receipt ")], np.uint8)
    shown = series(Values("text", words), "t", load_code(code).alphabet)
    assert shown.to_list() == ["about 5%", "receipt"]


def test_a_slot_without_a_character_shows_as_the_replacement_character():
    code = load_code("commercial-48")
    undefined = int(np.flatnonzero(~code.alphabet.defined[:128])[0])
    text = np.array([[65, undefined, 66]], np.uint8)
    assert series(Values("text", text), "t", code.alphabet).to_list() == ["A\ufffdB"]


def test_holes_are_written_row_by_row():
    patterns = np.array([[0xA00, 0x000], [0x401, 0x120], [0, 0]], np.uint16)
    column = series(Values("holes", patterns, gone([False, False, True])), "h")
    assert column.to_list() == ["12-0 blank", "11-9 1-4", None]
    with pytest.raises(TypeError, match="holes cannot be made"):
        values_of(column, "holes", 0, 2)


@pytest.mark.parametrize("kind", ["whole", "decimal", "date", "text"])
def test_an_empty_tray_gives_empty_columns(kind):
    data = {"text": np.zeros((0, 3), np.uint8), "date": np.zeros(0, np.int32)}
    column = series(Values(kind, data.get(kind, np.zeros(0, np.int64)), None, 0), "e")
    assert (len(column), column.name) == (0, "e")
    back, misfit = values_of(column, kind, 0, 3)
    assert (len(back), len(misfit)) == (0, 0)


MISFITS = [
    (pl.Series(["ABCD", "AB", None]), "text", 0, 3, [True, False, False]),
    (pl.Series(["\u20ac", "A"]), "text", 0, 3, [True, False]),
    (pl.Series([2**62, -(2**63), None]), "decimal", 2, 0, [True, True, False]),
    (pl.Series([-(2**63)]), "decimal", 1, 0, [True]),
    (pl.Series([92_233_720_368_547_758, 1]), "decimal", 2, 0, [False, False]),
    (pl.Series([1.5, 2.0]), "whole", 0, 0, [True, False]),
    (pl.Series([1.5, 0.125]), "decimal", 2, 0, [False, True]),
    (pl.Series(["1.5", "x", "1.255"]), "decimal", 2, 0, [False, True, True]),
    (pl.Series([Decimal("1.50"), Decimal("1.55")]), "decimal", 1, 0, [False, True]),
    (pl.Series(["1957-03-09", "soon"]), "date", 0, 0, [False, True]),
]


@pytest.mark.parametrize(("column", "kind", "scale", "width", "want"), MISFITS)
def test_what_does_not_fit_exactly_is_told_and_missing(column, kind, scale, width, want):
    values, misfit = values_of(column, kind, scale, width)
    assert misfit.tolist() == want
    lost = [bad or value is None for bad, value in zip(want, column.to_list(), strict=True)]
    assert values.present().tolist() == [not one for one in lost]


def test_numbers_and_dates_may_be_made_into_texts():
    values, misfit = values_of(pl.Series([1, 20]), "text", 0, 3)
    assert (values.data.tobytes(), misfit.any()) == (b"1  20 ", np.False_)


def test_kinds_that_have_nothing_in_common_are_type_errors():
    with pytest.raises(TypeError, match="which is no number"):
        values_of(pl.Series([EPOCH]), "whole", 0, 0)
    with pytest.raises(TypeError, match="which is no date"):
        values_of(pl.Series([1]), "date", 0, 0)


def test_an_expression_reckons_exactly_and_rounds_half_away_from_zero():
    # half away from zero: what COBOL's ROUNDED does (ISO/IEC 1989, NEAREST-AWAY-FROM-ZERO)
    frame = pl.DataFrame([series(Values("decimal", np.array([3221, -3185, 3200]), None, 2), "f")])
    celsius = Expression("ROUND((f - 32) / 1.8, 2)")
    assert celsius.names == ["f"]
    assert celsius.evaluate(frame).to_list() == [
        Decimal("0.12"), Decimal("-35.47"), Decimal("0.00"),
    ]  # fmt: skip
    half = Expression("ROUND(f / 10, 2)")
    values = Values("decimal", np.array([25, -25, 15]), None, 2)
    assert half.evaluate(pl.DataFrame([series(values, "f")])).to_list() == [
        Decimal("0.03"), Decimal("-0.03"), Decimal("0.02"),
    ]  # fmt: skip


def test_a_constant_expression_gives_one_value_a_card():
    frame = pl.DataFrame({"a": [1, 2, 3]})
    assert Expression("'RG7'").evaluate(frame).to_list() == ["RG7"] * 3
    assert Expression("'RG7'").evaluate(frame.clear()).to_list() == []


def test_an_expression_that_does_not_suit_its_fields_says_so_in_one_sentence():
    frame = pl.DataFrame({"a": ["x"]})
    with pytest.raises(ValueError, match="cannot be worked out"):
        Expression("EXTRACT(MONTH FROM a) = 1").evaluate(frame)
    with pytest.raises(ValueError, match="does not parse"):
        Expression("a +")


@pytest.mark.parametrize("text", ["SUM(a)", "a IN (SELECT 1)", "ROW_NUMBER() OVER ()", "MAX(a)"])
def test_an_expression_that_looks_at_other_cards_is_refused(text):
    with pytest.raises(ValueError, match="needs more than one card"):
        Expression(text)


def test_an_expression_travels_between_processes():
    frame = pl.DataFrame({"a": [1, None]})
    expression = Expression("a + 1")
    again = pickle.loads(pickle.dumps(expression))  # noqa: S301 # what was pickled here
    assert again.evaluate(frame).to_list() == expression.evaluate(frame).to_list() == [2, None]

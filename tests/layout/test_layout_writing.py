"""Writing fields: the inverse of reading, for every kind of field, and what does not fit."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from deckwright.cards.values import Values
from layout_cards import compiled, one_field

EPOCH = dt.date(1970, 1, 1)
FORMS = ["YYYYMMDD", "YYMMDD", "DDMMYY", "DD/MM/YYYY", "YYYY-MM-DD", "YYYYMM", "YYDDD", "YYYY.DDD",
         "MMYY", "YYYY", "MM*DD*YY"]  # fmt: skip


def blank(count, length=80):
    return np.full((count, length), ord("*"), np.uint8)


def numbers(*values, kind="whole", scale=0, missing=None):
    gone = None if missing is None else np.array(missing)
    return Values(kind, np.array(values, np.int64), gone, scale)


def texts(*values):
    width = max(1, *map(len, values))
    raw = "".join(value.ljust(width) for value in values).encode("latin-1")
    return Values("text", np.frombuffer(raw, np.uint8).reshape(len(values), width))


def days(*dates):
    return Values("date", np.array([(date - EPOCH).days for date in dates], np.int32))


def put(layout, values, first=1, width=None):
    """Write one field; return what stands in its columns, None where it did not fit."""
    base = blank(len(values))
    failures = layout.write({"x": values}, base)
    width = width or layout.fields("x")[0].width
    lost = {int(row) for failure in failures for row in failure.rows}
    cut = base[:, first - 1 : first - 1 + width]
    rest = np.delete(base, np.s_[first - 1 : first - 1 + width], axis=1)
    assert (rest == ord("*")).all()  # nothing beside the field is touched
    for row in lost:
        assert (cut[row] == ord("*")).all()  # and nothing in it where it does not fit
    return [None if row in lost else bytes(cut[row]).decode("latin-1") for row in range(len(base))]


@st.composite
def number_fields(draw):
    width = draw(st.integers(2, 18))
    options = {
        "kind": draw(st.sampled_from(["whole", "decimal"])),
        "sign": draw(st.sampled_from(["none", "leading", "overpunch-right", "overpunch-left"])),
        "plus": draw(st.sampled_from(["bare", "signed"])),
        "blank": draw(st.sampled_from(["missing", "zero", "error"])),
    }
    if draw(st.booleans()):
        options |= {"fill": " ", "justify": draw(st.sampled_from(["left", "right"]))}
    if options["kind"] == "decimal":
        options["decimals"] = draw(st.integers(0, min(4, width - 1)))
        options["point"] = draw(st.sampled_from(["implied", "punched"]))
    if draw(st.booleans()):
        options["missing_values"] = ["9" * width]
    return one_field(width, first=draw(st.integers(1, 81 - width)), **options)


def amounts(layout):
    spec = layout.fields("x")[0]
    most = min(10**spec.width - 1, 10**17)
    near = st.sampled_from([0, 1, -1, 9, 10**spec.scale, -(10 ** (spec.width - 1)), most, -most])
    return st.lists(st.integers(-most, most) | near, min_size=1, max_size=12)


@given(field=number_fields(), data=st.data())
def test_a_number_that_fits_is_read_back_as_it_was(field, data):
    layout = field
    spec = layout.fields("x")[0]
    amount = data.draw(amounts(layout))
    kind, scale, _ = layout.value_kind("x")
    base = blank(len(amount))
    failures = layout.write({"x": numbers(*amount, kind=kind, scale=scale)}, base)
    lost = {int(row) for failure in failures for row in failure.rows}
    values, faults = layout.check(base)
    for row, number in enumerate(amount):
        if row not in lost:
            assert (int(values["x"].data[row]), values["x"].present()[row]) == (number, True)
            assert all(row not in fault.rows for fault in faults)
        else:
            assert _is_long(number, spec), spec


def _is_long(number, spec):
    """Tell whether a number has no place in the field, by counting its characters."""
    size = str(abs(number)).rjust(spec.scale, "0")
    if spec.point == "punched":
        size = str(abs(number)).rjust(spec.scale + 1, "0")
        whole, part = size[: len(size) - spec.scale], size[len(size) - spec.scale :]
        size = ("" if whole == "0" and spec.scale else whole) + "." + part
    signed = number < 0 or spec.plus == "signed"
    if spec.sign.startswith("overpunch") and signed and spec.point == "punched":
        stands = size if spec.filled == " " else size.rjust(spec.width, "0")
        if stands[-1 if spec.sign == "overpunch-right" else 0] == ".":
            return True
    long = len(size) + (spec.sign == "leading" and signed) > spec.width
    return long or (spec.sign == "none" and number < 0) or bool(spec.missing_values)


@given(field=number_fields(), data=st.data())
def test_a_number_that_was_written_stays_as_it_stands(field, data):
    layout = field
    kind, scale, _ = layout.value_kind("x")
    amount = data.draw(amounts(layout))
    base = blank(len(amount))
    layout.write({"x": numbers(*amount, kind=kind, scale=scale)}, base)
    again = base.copy()
    layout.write(layout.read(base, ["x"]), again)
    readable = layout.read(base, ["x"])["x"].present()
    assert (again[readable] == base[readable]).all()


WRITTEN = [
    ({"kind": "whole"}, 42, "00042"),
    ({"kind": "whole"}, 100_000, None),
    ({"kind": "whole"}, -1, None),
    ({"kind": "whole", "fill": " "}, 42, "   42"),
    ({"kind": "whole", "fill": " "}, 0, "    0"),
    ({"kind": "whole", "fill": " ", "justify": "left"}, 42, "42   "),
    ({"kind": "whole", "sign": "leading"}, -42, "-0042"),
    ({"kind": "whole", "sign": "leading"}, 12345, "12345"),
    ({"kind": "whole", "sign": "leading"}, -12345, None),
    ({"kind": "whole", "sign": "leading", "plus": "signed"}, 42, "+0042"),
    ({"kind": "whole", "sign": "leading", "plus": "signed"}, 12345, None),
    ({"kind": "whole", "sign": "leading", "fill": " "}, -42, "  -42"),
    ({"kind": "whole", "sign": "overpunch-right"}, -42, "0004K"),
    ({"kind": "whole", "sign": "overpunch-right", "plus": "signed"}, 40, "0004{"),
    ({"kind": "whole", "sign": "overpunch-left"}, -42, "}0042"),
    ({"kind": "whole", "sign": "overpunch-left", "fill": " "}, -42, "   M2"),
    ({"kind": "decimal", "decimals": 2}, 1234, "01234"),
    ({"kind": "decimal", "decimals": 2, "point": "punched", "fill": " "}, 5, " 0.05"),
    ({"kind": "decimal", "decimals": 2, "point": "punched", "sign": "leading", "fill": " "},
     -5, "-0.05"),
    ({"kind": "decimal", "decimals": 3, "point": "punched", "sign": "leading", "fill": " "},
     -5, "-.005"),
    ({"kind": "decimal", "decimals": 0, "point": "punched", "sign": "leading"}, -5, "-005."),
    ({"kind": "decimal", "decimals": 4, "point": "punched"}, 5, ".0005"),
]  # fmt: skip


@pytest.mark.parametrize(("options", "number", "want"), WRITTEN)
def test_numbers_stand_as_the_layout_says(options, number, want):
    layout = one_field(5, first=3, **options)
    kind, scale, _ = layout.value_kind("x")
    assert put(layout, numbers(number, kind=kind, scale=scale), first=3) == [want]


def test_a_sign_never_takes_the_only_digit():
    layout = one_field(2, kind="decimal", point="punched", sign="leading", plus="signed")
    assert put(layout, numbers(0, 5, kind="decimal")) == [None, None]


def test_a_zone_never_stands_over_a_point():
    options = {"kind": "decimal", "decimals": 2, "point": "punched", "fill": " "}
    layout = one_field(3, **options, sign="overpunch-left")
    assert put(layout, numbers(-5, 5, kind="decimal", scale=2)) == [None, ".05"]
    layout = one_field(3, kind="decimal", point="punched", sign="overpunch-right")
    assert put(layout, numbers(-5, 5, kind="decimal")) == [None, "05."]


def test_a_number_of_another_scale_is_written_where_that_is_exact():
    layout = one_field(5, kind="decimal", decimals=2)
    assert put(layout, numbers(7)) == ["00700"]
    assert put(layout, numbers(1230, 1234, kind="decimal", scale=3)) == ["00123", None]
    whole = one_field(5, kind="whole")
    assert put(whole, numbers(700, 750, kind="decimal", scale=2)) == ["00007", None]


@given(form=st.sampled_from(FORMS), data=st.data())
def test_a_date_that_fits_is_read_back_as_it_was(form, data):
    layout = one_field(len(form), kind="date", form=form, century=1950)
    dates = data.draw(st.lists(st.dates(), min_size=1, max_size=9))
    base = blank(len(dates))
    failures = layout.write({"x": days(*dates)}, base)
    lost = {int(row) for failure in failures for row in failure.rows}
    values = layout.read(base, ["x"])["x"]
    for row, date in enumerate(dates):
        can = "YYYY" in form or 1950 <= date.year < 2050
        can &= "D" in form or date.day == 1
        can &= "MM" in form or "DDD" in form or date.month == 1
        assert (row not in lost) == can
        if can:
            assert int(values.data[row]) == (date - EPOCH).days


def test_dates_are_written_in_their_form():
    date = dt.date(1957, 3, 9)
    assert put(one_field(8, kind="date", form="YYYYMMDD"), days(date)) == ["19570309"]
    assert put(one_field(8, kind="date", form="DD/MM/YY"), days(date)) == ["09/03/57"]
    assert put(one_field(5, kind="date", form="YYDDD"), days(date)) == ["57068"]
    assert put(one_field(6, kind="date", form="YYYYMM"), days(date, date.replace(day=1))) == [
        None, "195703",
    ]  # fmt: skip


@given(
    width=st.integers(1, 30),
    options=st.sampled_from(
        [{}, {"justify": "right"}, {"justify": "left"}, {"justify": "right", "fill": "0"}]
    ),
    data=st.data(),
)
def test_a_text_that_fits_is_read_back_without_its_filling(width, options, data):
    layout = one_field(width, kind="text", blank="text", **options)
    alphabet = st.characters(min_codepoint=33, max_codepoint=255, exclude_categories=["Cc", "Zs"])
    words = data.draw(st.lists(st.text(alphabet, max_size=width + 3), min_size=1, max_size=8))
    if options.get("fill") == "0":
        words = [word.lstrip("0") for word in words]
    for word, got in zip(words, put(layout, texts(*words)), strict=True):
        if len(word) > width:
            assert got is None
        else:
            filling = options.get("fill", " ") if word else " "
            right = options.get("justify") == "right"
            assert got == (word.rjust(width, filling) if right else word.ljust(width))


@given(cells=st.lists(st.text(" AB0-9é", min_size=7, max_size=7), min_size=1, max_size=9))
def test_a_text_field_moved_to_one_of_the_same_width_stands_as_before(cells):
    layout = one_field(7, kind="text", blank="text")
    assert put(layout, texts(*cells)) == cells


def test_digits_are_filled_with_zeros_and_nothing_but_digits_fits():
    layout = one_field(5, kind="digits")
    got = put(layout, texts("12", "12345", "123456", "1A", "", "1 2"))
    assert got == ["00012", "12345", None, None, None, None]
    assert put(layout, numbers(12, 100_000, -1)) == ["00012", None, None]
    padded = one_field(5, kind="digits", fill=" ")
    assert put(padded, texts("12", "1 2", "")) == ["   12", None, None]
    left = one_field(5, kind="digits", fill=" ", justify="left")
    assert put(left, numbers(12)) == ["12   "]


def test_values_of_another_kind_do_not_fit():
    date = days(dt.date(1957, 3, 9))
    for kind in ("text", "digits", "whole"):
        assert put(one_field(8, kind=kind), date) == [None]
    assert put(one_field(8, kind="date", form="YYYYMMDD"), numbers(1)) == [None]
    assert put(one_field(8, kind="whole"), texts("1")) == [None]
    assert put(one_field(8, kind="holes"), texts("1")) == [None]


def test_a_missing_value_is_written_so_that_it_reads_as_missing():
    gone = numbers(0, 7, missing=[True, False])
    assert put(one_field(3, kind="whole"), gone) == ["   ", "007"]
    for means in ("zero", "error"):
        assert put(one_field(3, kind="whole", blank=means), gone) == [None, "007"]
        layout = one_field(3, kind="whole", blank=means, missing_values=["-9", "999"])
        assert put(layout, gone) == [" -9", "007"]


def test_a_value_that_would_read_as_missing_does_not_fit():
    layout = one_field(3, kind="whole", missing_values=["999"])
    assert put(layout, numbers(999, 998)) == [None, "998"]
    text = one_field(6, kind="text", missing_values=["NONE"], blank="error")
    assert put(text, texts("NONE", "NONE.", "")) == [None, "NONE. ", None]


def test_a_failure_says_which_cards_and_why():
    layout = one_field(3, first=4, kind="whole", severity="query")
    (failure,) = layout.write({"x": numbers(1, 1000, -1)}, blank(3))
    assert (failure.reason, failure.field, failure.columns) == ("does-not-fit", "x", (4, 6))
    assert (failure.rows.tolist(), failure.severity) == ([1, 2], "query")
    assert failure.detail == "should be a number that fits into 3 columns without a sign"


def flagged(**options):
    return one_field(4, kind="whole", overpunch={"11": "trace", "12": "sum"}, **options)


def test_flags_are_punched_over_the_last_digit():
    layout = flagged()
    base = blank(4)
    value = numbers(0, 12, 3, 0, missing=[False, False, False, True])
    failures = layout.write({"x": value, "x_flag": texts("trace", "sum", "", "")}, base)
    assert [bytes(row[:4]) for row in base] == [b"000}", b"001B", b"0003", b"    "]
    assert failures == []
    read = layout.read(base)
    assert read["x"].data.tolist() == [0, 12, 3, 0]
    assert [bytes(word).decode().strip() for word in read["x_flag"].data] == [
        "trace", "sum", "", "",
    ]  # fmt: skip


def test_a_flag_that_is_none_or_has_no_digit_does_not_fit():
    values = {"x": numbers(1, 0, missing=[False, True]), "x_flag": texts("odd", "trace")}
    (failure,) = flagged().write(values, blank(2))
    assert failure.rows.tolist() == [0, 1]
    base = blank(2)
    (failure,) = flagged(zone_alone="flag").write(values, base)
    assert failure.rows.tolist() == [0]
    assert bytes(base[1, :4]) == b"   -"


def test_a_flag_alone_goes_over_the_digit_that_stands_there():
    base = blank(1)
    flagged().write({"x": numbers(7)}, base)
    assert flagged().write({"x_flag": texts("trace")}, base) == []
    assert bytes(base[0, :4]) == b"000P"


def two_types():
    return compiled(
        record_length=8,
        card=[
            {"name": "head", "when": [{"columns": "1", "is": ["H"]}],
             "field": [{"name": "mark", "columns": "1", "kind": "text"},
                       {"name": "n", "columns": "2-4", "kind": "whole"}]},
            {"name": "line", "when": [{"columns": "1", "is": ["L"]}],
             "field": [{"name": "mark", "columns": "1", "kind": "text"},
                       {"name": "n", "columns": "5-8", "kind": "whole"}]},
        ],
    )  # fmt: skip


def test_each_type_of_card_is_written_in_its_own_columns():
    base = np.frombuffer(b"H.......L.......?.......", np.uint8).reshape(3, 8).copy()
    failures = two_types().write({"n": numbers(7, 8, 9)}, base)
    assert [bytes(row) for row in base] == [b"H007....", b"L...0008", b"?......."]
    assert failures == []


def test_the_types_may_be_told_instead_of_read():
    base = blank(2, 8)
    kinds = {"card_type": texts("line", "head"), "mark": texts("L", "H"), "n": numbers(7, 1000)}
    (failure,) = two_types().write(kinds, base)
    assert [bytes(row) for row in base] == [b"L***0007", b"H*******"]
    assert (failure.rows.tolist(), failure.columns) == ([1], (2, 4))


def test_an_unknown_field_is_a_key_error():
    with pytest.raises(KeyError, match="nothing"):
        two_types().write({"nothing": numbers(1)}, blank(1, 8))


@given(number=st.integers(-(10**5), 10**5), data=st.data())
def test_images_that_do_not_follow_each_other_in_memory_are_written_too(number, data):
    layout = one_field(6, first=2, kind="whole", sign="overpunch-right")
    assume(abs(number) < 10**5)
    wide = blank(2, 160)
    base = wide[:, ::2]
    assert layout.write({"x": numbers(number, 0)}, base) == []
    assert layout.read(np.ascontiguousarray(base))["x"].data.tolist() == [number, 0]

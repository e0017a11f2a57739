"""Reading fields: against a reader of one card at a time, and by published examples."""

from __future__ import annotations

import calendar
import datetime as dt
import pickle
import re
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.reading import Layout

EPOCH = dt.date(1970, 1, 1)

# graphics: encyclopedia article "Signed overpunch" quoting a COBOL manual; ISO 6586:1980 for 0
PLUS = dict(zip("{ABCDEFGHI", range(10), strict=True))
MINUS = dict(zip("}JKLMNOPQR", range(10), strict=True))


def compiled(**tables):
    spec = LayoutSpec.model_validate(tables)
    assert layout_problems(spec) == []
    return Layout(spec, "test")


def one_field(width, *, first=1, length=80, **options):
    columns = f"{first}-{first + width - 1}"
    field = {"name": "x", "columns": columns, **options}
    return compiled(record_length=length, field=[field])


def deck(*texts, first=1, length=80):
    cards = ["*" * (first - 1) + text for text in texts]
    raw = "".join(card.ljust(length, "*") for card in cards).encode("latin-1")
    return np.frombuffer(raw, np.uint8).reshape(len(texts), length)


def told(layout, text, name="x"):
    """Return what is known of each card: its value, None, or its first reason."""
    values, failures = layout.check(text)
    data, present = values[name].data, values[name].present()
    out = [
        (bytes(data[row]).decode("latin-1") if data.ndim > 1 else int(data[row]))
        if present[row]
        else None
        for row in range(len(text))
    ]
    for failure in failures:
        for row in failure.rows:
            if out[row] is None:
                out[row] = failure.reason
    return out


# ---- one card at a time: the rules once more, as patterns


def number_of(text, spec):
    """Return the scaled value of one field, None when it has none, or "fault"."""
    if not text.strip():
        return {"missing": None, "zero": 0, "error": "fault"}[spec.blank]
    if text.strip() in spec.missing_values:
        return None
    if spec.filled == " ":
        text = text.lstrip(" ") if spec.justified == "right" else text.rstrip(" ")
    sign, digits = 1, text
    if spec.sign == "leading" and text[:1] in ("+", "-"):
        sign, digits = (-1 if text[0] == "-" else 1), text[1:]
    elif spec.sign.startswith("overpunch"):
        place = len(text) - 1 if spec.sign == "overpunch-right" else 0
        zoned = text[place]
        if zoned in PLUS or zoned in MINUS:
            sign = -1 if zoned in MINUS else 1
            digit = str({**PLUS, **MINUS}[zoned])
            digits = text[:place] + digit + text[place + 1 :]
    pattern = r"\d+" if spec.point == "implied" else r"\d+\.?\d*|\.\d+"
    if not re.fullmatch(pattern, digits, re.ASCII):
        return "fault"
    if spec.point == "implied":
        return sign * int(digits)
    decimals = len(digits.partition(".")[2])
    if decimals > spec.scale:
        return "fault"
    scaled = Decimal(digits).scaleb(spec.scale)
    return sign * int(scaled) if scaled < 10**18 else "fault"


@st.composite
def number_fields(draw):
    width = draw(st.integers(2, 18))
    options = {
        "kind": draw(st.sampled_from(["whole", "decimal"])),
        "sign": draw(st.sampled_from(["none", "leading", "overpunch-right", "overpunch-left"])),
        "blank": draw(st.sampled_from(["missing", "zero", "error"])),
    }
    if draw(st.booleans()):
        options |= {"fill": " ", "justify": draw(st.sampled_from(["left", "right"]))}
    if options["kind"] == "decimal":
        options["decimals"] = draw(st.integers(0, min(4, width - 1)))
        options["point"] = draw(st.sampled_from(["implied", "punched"]))
    if draw(st.booleans()):
        options["missing_values"] = ["9" * width, "-9"]
    first = draw(st.integers(1, 81 - width))
    return one_field(width, first=first, **options), width, first


def card_texts(width):
    mess = st.text("0123456789 -+.&{}AJRSé", min_size=width, max_size=width)
    plain = st.text("0123456789", min_size=1, max_size=width)
    signed = st.builds(
        lambda sign, body, end: (sign + body + end)[-width:],
        st.sampled_from(["", "-", "+", "}", "A", "."]),
        plain,
        st.sampled_from(["", "}", "A", ".5", ".", "R"]),
    )
    placed = st.builds(
        lambda text, how: {"l": text.ljust(width), "r": text.rjust(width)}.get(
            how, text.rjust(width, "0")
        )[:width],
        plain | signed,
        st.sampled_from("lr0"),
    )
    return st.lists(mess | placed | st.just(" " * width), min_size=1, max_size=12)


@given(field=number_fields(), data=st.data())
def test_numbers_are_read_as_one_card_at_a_time_reads_them(field, data):
    layout, width, first = field
    spec = layout.fields("x")[0]
    texts = data.draw(card_texts(width))
    values, failures = layout.check(deck(*texts, first=first))
    faulty = {int(row) for failure in failures for row in failure.rows}
    for row, text in enumerate(texts):
        want = number_of(text, spec)
        got = int(values["x"].data[row]) if values["x"].present()[row] else None
        assert got == (None if want == "fault" else want), (text, spec)
        assert (row in faulty) == (want == "fault"), (text, spec)
        if got is None:
            assert values["x"].data[row] == 0  # a missing slot holds zero


@given(
    width=st.integers(1, 30),
    pad=st.sampled_from([{}, {"fill": " "}, {"fill": " ", "justify": "left"}]),
    data=st.data(),
)
def test_digits_are_read_as_one_card_at_a_time_reads_them(width, pad, data):
    layout = one_field(width, kind="digits", **pad)
    texts = data.draw(card_texts(width))
    for text, got in zip(texts, told(layout, deck(*texts)), strict=True):
        bare = text
        if pad:
            bare = text.rstrip(" ") if "justify" in pad else text.lstrip(" ")
        if not text.strip():
            assert got is None
        elif re.fullmatch(r"\d+", bare, re.ASCII):
            assert got == text
        else:
            assert got in ("not-a-digit", "leading-blank", "zone-alone")


FORMS = ["YYYYMMDD", "YYMMDD", "DDMMYY", "DD/MM/YYYY", "YYYY-MM-DD", "YYYYMM", "YYDDD", "YYYY.DDD",
         "MMYY", "YYYY", "MM*DD*YY", "DDD/YYYY", "YYYY  MM  DD"]  # fmt: skip


def date_of(text, form, century):
    """Return the days since 1970 that one field says, or None."""
    found = {}
    place = 0
    for token in re.findall(r"YYYY|YY|MM|DDD|DD|.", form):
        part = text[place : place + len(token)]
        place += len(token)
        if token[0] not in "YMD":
            if part != token:
                return None
        elif re.fullmatch(r"\d+", part, re.ASCII):
            found[token] = int(part)
        else:
            return None
    year = found.get("YYYY")
    if year is None:
        year = next(y for y in range(century, century + 100) if y % 100 == found["YY"])
    if not 1 <= year <= 9999:
        return None
    if "DDD" in found:
        if not 1 <= found["DDD"] <= 365 + calendar.isleap(year):
            return None
        return (dt.date(year, 1, 1) - EPOCH).days + found["DDD"] - 1
    month, day = found.get("MM", 1), found.get("DD", 1)
    if not 1 <= month <= 12 or not 1 <= day <= calendar.monthrange(year, month)[1]:
        return None
    return (dt.date(year, month, day) - EPOCH).days


@given(
    form=st.sampled_from(FORMS), century=st.sampled_from([1800, 1900, 1950, 2000]), data=st.data()
)
def test_dates_are_read_as_one_card_at_a_time_reads_them(form, century, data):
    layout = one_field(len(form), kind="date", form=form, century=century)
    pattern = re.sub(r"[YMD]", "[0-9]", re.escape(form).replace("\\ ", " "))
    close = st.builds(
        lambda date: re.sub(
            "YYYY|YY|MM|DDD|DD",
            lambda t: {"YYYY": f"{date.year:04}", "YY": f"{date.year % 100:02}",
                       "MM": f"{date.month:02}", "DD": f"{date.day:02}",
                       "DDD": f"{date.timetuple().tm_yday:03}"}[t[0]],
            form,
        ),
        st.dates(),
    )  # fmt: skip
    mess = st.text("0123456789/-. ", min_size=len(form), max_size=len(form))
    texts = data.draw(st.lists(st.from_regex(pattern, fullmatch=True) | close | mess, min_size=1))
    for text, got in zip(texts, told(layout, deck(*texts)), strict=True):
        want = date_of(text, form, century)
        if not text.strip():
            assert got is None
        elif want is None:
            assert got in ("no-such-date", "not-a-digit"), text
        else:
            assert got == want, text


def test_leading_blanks_in_a_date_are_read_where_the_field_is_filled_with_blanks():
    texts = [" 1/ 2/57", "01/ 2/57", "1 / 2/57"]
    got = told(one_field(8, kind="date", form="DD/MM/YY", fill=" "), deck(*texts))
    day = (dt.date(1957, 2, 1) - EPOCH).days
    assert got == [day, day, "not-a-digit"]
    strict = told(one_field(8, kind="date", form="DD/MM/YY"), deck(*texts))
    assert strict == ["not-a-digit"] * 3


# field text, decimals, value times 10**decimals, source
OVERPUNCHED = [
    ("10}", 0, -100, "encyclopedia article Signed overpunch"),
    ("45A", 0, 451, "encyclopedia article Signed overpunch"),
    ("1000}", 2, -10000, "encyclopedia article Signed overpunch: -100.00"),
    ("1021", 0, 1021, "encyclopedia article Signed overpunch (PICTURE Z99R)"),
    ("102J", 0, -1021, "encyclopedia article Signed overpunch (PICTURE Z99R)"),
    ("24G", 0, 247, "reference article, bytes F2 F4 C7"),
    ("0000{", 2, 0, "by the rule"),
    ("0000}", 2, 0, "by the rule: minus zero compares equal to zero"),
    ("{", 0, 0, "by the rule"),
    ("99R", 1, -999, "by the rule: -99.9"),
    ("00J", 3, -1, "by the rule: -0.001"),
]


@pytest.mark.parametrize(("text", "decimals", "value", "source"), OVERPUNCHED)
def test_published_overpunch_examples_come_out(text, decimals, value, source):
    layout = one_field(len(text), kind="decimal", decimals=decimals, sign="overpunch-right")
    assert told(layout, deck(text)) == [value], source


@pytest.mark.parametrize("first", [1, 5, 76])
def test_every_zoned_digit_is_read_on_either_side(first):
    for zone, sign in ((PLUS, 1), (MINUS, -1)):
        right = [f"1234{character}" for character in zone]
        layout = one_field(5, first=first, kind="whole", sign="overpunch-right")
        want = [sign * (12340 + digit) for digit in range(10)]
        assert told(layout, deck(*right, first=first)) == want
        left = [f"{character}1234" for character in zone]
        layout = one_field(5, first=first, kind="whole", sign="overpunch-left")
        want = [sign * (digit * 10000 + 1234) for digit in range(10)]
        assert told(layout, deck(*left, first=first)) == want


def test_blank_zero_and_a_lone_zone_stay_apart():
    layout = one_field(4, kind="whole", sign="overpunch-right")
    texts = ["    ", "0000", "000-", "000&", "000+", "   -", "000}", "-000"]
    want = [None, 0, "zone-alone", "zone-alone", "zone-alone", "leading-blank", 0, "zone-alone"]
    assert told(layout, deck(*texts)) == want


def test_a_blank_means_what_the_layout_says():
    blank = deck("    ")
    assert told(one_field(4, kind="whole"), blank) == [None]
    assert told(one_field(4, kind="whole", blank="zero"), blank) == [0]
    assert told(one_field(4, kind="whole", blank="error"), blank) == ["blank"]
    assert told(one_field(4, kind="text", blank="text"), blank) == ["    "]
    assert told(one_field(4, kind="text", blank="error"), blank) == ["blank"]


REASONS = [
    ({"kind": "whole"}, "12A4", "not-a-digit", 3),
    ({"kind": "whole"}, " 123", "leading-blank", 1),
    ({"kind": "whole"}, "1 23", "not-a-digit", 2),
    ({"kind": "whole", "sign": "leading"}, "1-23", "bad-sign", 2),
    ({"kind": "whole", "sign": "leading"}, "--12", "bad-sign", 2),
    ({"kind": "whole", "sign": "leading", "fill": " "}, "   -", "bad-sign", None),
    ({"kind": "whole", "sign": "overpunch-right"}, "1J34", "not-a-digit", 2),
    ({"kind": "decimal", "decimals": 1, "point": "punched"}, "1..2", "not-a-number", 3),
    ({"kind": "decimal", "decimals": 1, "point": "punched"}, "1.25", "not-a-number", None),
    ({"kind": "date", "form": "MMYY"}, "1357", "no-such-date", None),
    ({"kind": "date", "form": "YYMM"}, "57O1", "not-a-digit", 3),
    ({"kind": "digits"}, "12-4", "zone-alone", 3),
]


@pytest.mark.parametrize(("options", "text", "reason", "column"), REASONS)
def test_a_fault_is_reported_with_its_exact_column(options, text, reason, column):
    _, failures = one_field(4, first=11, **options).check(deck(text, first=11))
    (failure,) = failures
    assert (failure.reason, failure.field, failure.columns) == (reason, "x", (11, 14))
    assert (failure.rows.tolist(), failure.severity) == ([0], "fatal")
    found = None if failure.column is None else failure.column.tolist()
    assert found == (None if column is None else [10 + column])
    assert failure.detail.startswith("should ")


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


# ---- characters that are none


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


# ---- several card types


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


# ---- rules


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
    before, after = layout.check(text)[1], pickle.loads(pickle.dumps(layout)).check(text)[1]
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

"""Numbers and digits: against a reader of one card at a time, and by published examples."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout_cards import deck, one_field, told

# graphics: encyclopedia article "Signed overpunch" quoting a COBOL manual; ISO 6586:1980 for 0
PLUS = dict(zip("{ABCDEFGHI", range(10), strict=True))
MINUS = dict(zip("}JKLMNOPQR", range(10), strict=True))


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
    assert failure.detail.startswith(("should ", "must "))

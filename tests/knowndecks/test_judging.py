"""What counts as right, as a part, and as wrong when a claim is judged."""

from __future__ import annotations

import numpy as np
import pytest

from .asking import Answer, Claim, Guessed
from .codes import punched
from .comparing import compared
from .judging import Known, verdict
from .measure import wilson
from .model import CardType, Deck, Field, Form, Truth
from .words import mod11

CARDS = (
    "A01 00012 -3 1957030119570301 CONIHOLM 4.5 1.5E-3 0012-",
    "B07 00345-12 1957122419581224 MORVALE  7.1 2.5E+2 0003 ",
    "A07 00007  5 1957080219590802 OSTON    0.5 9.0E+1 0120 ",
    "B22 00101-99 1957041119520411 FENRIBY 12.5 1.1E-1 0450-",
)
FIELDS = (
    Field("letter", 1, 1, Form("code")),
    Field("region", 2, 3, Form("code")),
    Field("count", 5, 9, Form("whole", fill="0")),
    Field("balance", 10, 12, Form("whole", sign="leading")),
    Field("begun", 14, 21, Form("date", "YYYYMMDD", fill="0")),
    Field("ended", 22, 29, Form("date", "YYYYMMDD", fill="0")),
    Field("place", 31, 38, Form("text", justify="left")),
    Field("depth", 39, 42, Form("point", decimals=1)),
    Field("ratio", 44, 49, Form("exponent", "E")),
    Field("rest", 51, 55, Form("whole", sign="trailing", fill="0")),
)
CHECKED = tuple(number + mod11(number) for number in ("4711", "0817", "1234", "9012"))


def known(cards: tuple[str, ...] = CARDS, fields: tuple[Field, ...] = FIELDS) -> Known:
    text = np.frombuffer("".join(cards).encode(), np.uint8).reshape(len(cards), -1)
    numbers = np.arange(len(cards))
    return Known(CardType("card", "", fields, numbers), numbers, text, punched(text), text)


def told(first: int, last: int, what: str, **options: object) -> str:
    return verdict(Claim(first, last, what, "likely", options), known())


@pytest.mark.parametrize(
    ("first", "last", "what", "options", "expected"),
    [
        (1, 1, "code", {}, "exact"),
        (1, 3, "code", {}, "wrong"),
        (2, 3, "number or name in digits", {"kind": "digits"}, "exact"),
        (2, 3, "whole number", {}, "wrong"),
        (5, 9, "whole number", {}, "exact"),
        (4, 9, "whole number", {}, "equivalent"),
        (7, 9, "whole number", {}, "equivalent"),
        (8, 9, "whole number", {}, "wrong"),
        (8, 9, "text", {}, "part"),
        (5, 6, "constant", {}, "part"),
        (5, 7, "constant", {}, "wrong"),
        (5, 9, "running number", {}, "wrong"),
        (5, 9, "text", {}, "unspecific"),
        (10, 12, "signed number", {"sign": "leading"}, "exact"),
        (10, 12, "signed number", {"sign": "trailing"}, "wrong"),
        (11, 12, "whole number", {}, "wrong"),
        (10, 12, "code", {}, "wrong"),
        (14, 21, "date YYYYMMDD", {"form": "YYYYMMDD"}, "exact"),
        (16, 21, "date YYMMDD", {"form": "YYMMDD"}, "equivalent"),
        (14, 19, "date YYYYMM", {"form": "YYYYMM"}, "part"),
        (16, 21, "date DDMMYY", {"form": "DDMMYY"}, "wrong"),
        (14, 29, "number or name in digits", {"kind": "digits"}, "wrong"),
        (14, 21, "whole number", {}, "unspecific"),
        (14, 15, "constant", {}, "part"),
        (13, 13, "not used", {}, "exact"),
        (12, 13, "not used", {}, "wrong"),
        (31, 38, "text", {}, "exact"),
        (31, 39, "text", {}, "wrong"),
        (39, 42, "decimal number", {"kind": "decimal"}, "exact"),
        (39, 40, "whole number", {}, "wrong"),
        (44, 49, "number with exponent", {"kind": "exponent"}, "exact"),
        (44, 46, "decimal number", {}, "wrong"),
        (51, 54, "whole number", {}, "wrong"),
        (51, 55, "signed number", {"sign": "trailing"}, "exact"),
        (51, 54, "number or name in digits", {"kind": "digits"}, "part"),
    ],
)
def test_a_claim_gets_its_verdict(first, last, what, options, expected):
    assert told(first, last, what, **options) == expected


def test_a_number_may_be_claimed_with_its_check_digit_or_without():
    fields = (Field("item", 1, 5, Form("identifier", fill="0", check="mod11")),)
    cards = known(CHECKED, fields)
    for first, last in ((1, 5), (1, 4)):
        digits = Claim(first, last, "number or name in digits", "likely", {"kind": "digits"})
        assert verdict(digits, cards) == "exact"
    right = {"kind": "digits", "check": {"scheme": "mod11"}}
    assert verdict(Claim(1, 5, "number with check digit", "strong", right), cards) == "exact"
    other = {"kind": "digits", "check": {"scheme": "luhn"}}
    assert verdict(Claim(1, 5, "number with check digit", "strong", other), cards) == "wrong"


def test_year_and_month_side_by_side_may_be_claimed_as_a_date():
    fields = (
        Field("year", 1, 2, Form("whole", "year", fill="0")),
        Field("month", 3, 4, Form("whole", "month", fill="0")),
    )
    cards = known(("5701", "5812", "5907"), fields)
    assert verdict(Claim(1, 4, "date YYMM", "strong", {"form": "YYMM"}), cards) == "equivalent"
    assert verdict(Claim(1, 4, "date MMYY", "strong", {"form": "MMYY"}), cards) == "wrong"


def two_types() -> Deck:
    text = np.frombuffer(b"A123B45 A678B90 " * 3, np.uint8).reshape(-1, 4)
    mark, number = Form("code"), Form("whole")
    both = [(Field("type", 1, 1, mark), Field("n", 2, last, number)) for last in (4, 3)]
    first = CardType("first", "A", both[0], np.arange(0, 12, 2))
    other = CardType("other", "B", both[1], np.arange(1, 12, 2))
    medium = {"kind": "text", "code": "ascii"}
    truth = Truth(medium, "ascii", 4, (1, 1), (first, other), ())
    return Deck(0, "two types", b"", text, punched(text), truth)


def answer(first: int, *types: tuple[str, ...]) -> Answer:
    claims = (Claim(1, 1, "code", "strong", {}), Claim(2, 4, "whole number", "likely", {}))
    guessed = tuple(Guessed(f"type_{k}", values, 6, claims) for k, values in enumerate(types))
    medium = {"kind": "text", "code": "ascii", "same": []}
    return Answer(
        asked=False,
        medium=medium,
        width=4,
        drawn=(),
        first=first,
        last=first,
        strength="strong",
        types=guessed,
    )


@pytest.mark.parametrize(
    ("first", "types", "expected"),
    [
        (1, (("A",), ("B",)), "exact"),
        (4, (("3", "8"), (" ",)), "equivalent"),
        (0, ((),), "missed"),
        (2, (("1",), ("4",), ("6",), ("9",)), "false"),
    ],
)
def test_types_of_cards_are_compared_card_by_card(first, types, expected):
    assert compared(two_types(), answer(first, *types)).types == expected


def test_fields_and_boundaries_are_counted_for_every_type():
    outcome = compared(two_types(), answer(1, ("A",), ("B",)))
    assert outcome.reading == "right"
    assert outcome.fields == {
        ("code", "exact"): 2,
        ("whole", "exact"): 1,
        ("whole", "equivalent"): 1,
    }
    assert outcome.cuts.tolist() == [2, 2, 2, 2]


def test_a_share_has_the_interval_that_is_published_for_it():
    # 0 of 10, and 1 of 10, after Wilson 1927
    assert wilson(0, 10) == pytest.approx((0, 0.2775), abs=1e-4)
    assert wilson(1, 10) == pytest.approx((0.0179, 0.4042), abs=1e-4)

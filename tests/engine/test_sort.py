"""Sorting against Python's own sort with key functions, cut into ranges as small as can be."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.engine.planning.limits import Sizes
from sets import DEAR

LAYOUT = """
[[field]]
name = "code"
columns = "1-3"
kind = "digits"
[[field]]
name = "whole"
columns = "4-8"
kind = "whole"
sign = "leading"
fill = " "
[[field]]
name = "amount"
columns = "9-13"
kind = "decimal"
decimals = 2
sign = "overpunch-right"
[[field]]
name = "day"
columns = "14-21"
kind = "date"
form = "YYYYMMDD"
[[field]]
name = "name"
columns = "22-41"
kind = "text"
[[field]]
name = "grade"
columns = "42-43"
kind = "text"
"""
PLUS, MINUS = "{ABCDEFGHI", "}JKLMNOPQR"
EBCDIC = {
    **{c: c.encode("cp037")[0] for c in map(chr, range(32, 127))},
}
GRADES = ["B", "A", "ZZ"]

NUMBERS = st.one_of(st.none(), st.sampled_from([0, 1, -1, 7]), st.integers(-9999, 9999))
CARDS = st.fixed_dictionaries(
    {
        "code": st.one_of(st.none(), st.sampled_from(["000", "001", "010", "999"])),
        "whole": NUMBERS,
        "amount": NUMBERS,
        "day": st.one_of(st.none(), st.dates(dt.date(1, 1, 1), dt.date(9999, 12, 31))),
        "name": st.one_of(
            st.none(),
            st.sampled_from(["ABERDALE", "ABERDALE EAST", "ABERDALE WEST", "Aberdale", "9 MILES"]),
            st.text("AZaz09 -#$", min_size=1, max_size=20).filter(str.strip),
        ),
        "grade": st.one_of(st.none(), st.sampled_from(["A", "B", "ZZ", "C", "9"])),
    },
)
KEYS = st.lists(
    st.fixed_dictionaries(
        {
            "field": st.sampled_from(["code", "whole", "amount", "day", "name", "grade"]),
            "order": st.sampled_from(["ascending", "descending"]),
            "missing": st.sampled_from(["first", "last"]),
            "collate": st.sampled_from(["ascii", "ebcdic", "card", GRADES]),
        },
    ),
    min_size=1,
    max_size=4,
)
SIZES = st.one_of(st.just(Sizes(1, 1)), st.builds(Sizes, st.integers(1, 9), st.integers(1, 5)))


def punch(card: dict[str, Any]) -> str:
    """Return the image of a card."""
    amount = card["amount"]
    zones = MINUS if amount is not None and amount < 0 else PLUS
    digits = "" if amount is None else f"{abs(amount):05}"
    return (
        f"{card['code'] or '':3}"
        f"{'' if card['whole'] is None else card['whole']:>5}"
        f"{digits[:-1] + zones[int(digits[-1])] if digits else '':5}"
        f"{'' if card['day'] is None else card['day'].isoformat().replace('-', ''):8}"
        f"{card['name'] or '':20}{card['grade'] or '':2}"
    )


def collated(text: str, collate: str | list[str]) -> Any:
    """Return what a text sorts by; trailing blanks are part of a punched field."""
    if isinstance(collate, list):
        return collate.index(text) if text in collate else len(collate)
    padded = text.ljust(20)
    if collate == "ascii":
        return [ord(c) for c in padded]
    # the deck is in ASCII, so its card order is that of its bytes
    return [EBCDIC[c] if collate == "ebcdic" else ord(c) for c in padded]


def reckoned(cards: list[dict[str, Any]], keys: list[dict[str, Any]]) -> list[int]:
    """Return the card numbers in order: one stable sort a key, the least key first."""
    order = list(range(len(cards)))
    for key in reversed(keys):
        present = [n for n in order if cards[n][key["field"]] is not None]
        absent = [n for n in order if cards[n][key["field"]] is None]

        def rank(number: int, key: dict[str, Any] = key) -> Any:
            value = cards[number][key["field"]]
            return collated(value, key["collate"]) if isinstance(value, str) else value

        # reverse=True keeps equal elements in order too
        present.sort(key=rank, reverse=key["order"] == "descending")
        order = absent + present if key["missing"] == "first" else present + absent
    return [number + 1 for number in order]


def given_keys(keys: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return keys as a job writes them: numbers and dates take no collating sequence."""
    texts = {"code", "name", "grade"}
    return [
        {k: v for k, v in key.items() if k != "collate" or key["field"] in texts} for key in keys
    ]


def order_of_run(shop, folder, cards, keys, sizes) -> list[int]:
    stages = [
        {"kind": "decode", "medium": {"kind": "text"}, "blank_cards": "keep"},
        {"kind": "validate", "layout": "sorting", "most_returned": 0},
        {"kind": "sort", "keys": given_keys(keys)},
        {"kind": "emit", "output": [{"file": "o.csv", "form": "csv", "columns": ["card"]}]},
    ]
    job = shop.job(folder, stages, {"sorting": LAYOUT})
    deck = shop.deck(folder / "deck.txt", [punch(card) for card in cards])
    run = shop.run(job, deck, sizes=sizes).folder
    return [int(line) for line in (run / "out" / "o.csv").read_text("utf-8").split()[1:]]


@settings(max_examples=25, deadline=None)  # the oracle: richer than others
@given(st.lists(CARDS, min_size=1, max_size=30), KEYS, SIZES)
def test_cards_come_out_as_the_key_functions_order_them(shop, room, cards, keys, sizes) -> None:
    assert order_of_run(shop, room(), cards, keys, sizes) == reckoned(cards, keys)


@DEAR
@given(st.lists(st.integers(0, 2), min_size=10, max_size=40), SIZES)
def test_heavy_duplicates_keep_their_order_of_arrival(shop, room, codes, sizes) -> None:
    empty = dict.fromkeys(["whole", "amount", "day", "name", "grade"])
    cards = [{**empty, "code": f"{code:03}"} for code in codes]
    key = {"field": "code", "order": "ascending", "missing": "last", "collate": "ascii"}
    found = order_of_run(shop, room(), cards, [key], sizes)
    assert found == reckoned(cards, [key])
    down = {**key, "order": "descending"}
    assert order_of_run(shop, room(), cards, [down], sizes) == reckoned(cards, [down])


def test_keys_of_more_than_eight_columns_are_compared_to_their_last(shop, tmp_path) -> None:
    empty = dict.fromkeys(["code", "whole", "amount", "day", "grade"])
    names = ["ABCDEFGHIJKLMNOPQRSB", "ABCDEFGHIJKLMNOPQRSA", "ABCDEFGHIJ", "ABCDEFGH B", "ABCDEFGH"]
    cards = [{**empty, "name": name} for name in names]
    key = {"field": "name", "order": "ascending", "missing": "last", "collate": "ascii"}
    assert order_of_run(shop, tmp_path, cards, [key], Sizes(1, 1)) == [5, 4, 3, 2, 1]


# source: the order of the signs in EBCDIC, letters before digits, small before capital letters;
# in ASCII digits come before capital letters and these before small ones (Unicode chart C0)
@pytest.mark.parametrize(
    ("collate", "order"), [("ascii", "9AZaz"), ("ebcdic", "azAZ9"), ("card", "9AZaz")]
)
def test_letters_and_digits_stand_as_the_sequence_says(collate, order, shop, tmp_path) -> None:
    empty = dict.fromkeys(["code", "whole", "amount", "day", "name"])
    cards = [{**empty, "grade": grade} for grade in "ZzA9a"]
    key = {"field": "grade", "order": "ascending", "missing": "last", "collate": collate}
    found = order_of_run(shop, tmp_path, cards, [key], Sizes(2, 1))
    assert "".join("ZzA9a"[card - 1] for card in found) == order


def test_the_card_order_of_an_ebcdic_deck_is_that_of_its_bytes(shop, tmp_path) -> None:
    code = load_code("cp037")
    stages = [
        {"kind": "decode", "medium": {"kind": "blocks", "code": "cp037"}},
        {"kind": "validate", "layout": "receipts"},
        {"kind": "sort", "keys": [{"field": "note", "collate": "card"}]},
        {"kind": "emit", "output": [{"file": "o.csv", "form": "csv", "columns": ["note"]}]},
    ]
    job = shop.job(tmp_path, stages)
    text = "".join(f"{shop.receipt(1, note=n):<80}" for n in "ZzA9a-")
    deck = shop.deck(tmp_path / "deck.ebc", text.encode("cp037"))
    run = shop.run(job, deck, sizes=Sizes(2, 1)).folder
    found = (run / "out" / "o.csv").read_text("utf-8").split()[1:]
    assert found == sorted("ZzA9a-", key=lambda c: c.encode(code.name))


def test_the_sort_proves_itself_on_the_control_sheet(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain({"kind": "sort", "keys": ["item"]}))
    cards = [shop.receipt(item % 7) for item in range(40)]
    run = shop.run(job, shop.deck(tmp_path / "d.txt", cards), sizes=shop.small).folder
    facts = shop.control(run)["stages"][2]["facts"]
    assert facts["digest_before"] == facts["digest_after"]
    assert len(facts["digest_before"]) == 16
    other = [*cards[:-1], shop.receipt(6, note="x")]
    run = shop.run(job, shop.deck(tmp_path / "e.txt", other), out=tmp_path / "other").folder
    assert shop.control(run)["stages"][2]["facts"]["digest_before"] != facts["digest_before"]

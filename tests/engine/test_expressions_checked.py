"""What `check` says of expressions: their names and the kinds of their fields, everywhere."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright import Expression

LAYOUT = """
[[field]]
name = "item"
columns = "1-5"
kind = "digits"
[[field]]
name = "pieces"
columns = "6-9"
kind = "whole"
[[field]]
name = "price"
columns = "10-15"
kind = "decimal"
decimals = 2
[[field]]
name = "day"
columns = "16-23"
kind = "date"
form = "YYYYMMDD"
"""

# an expression that must be true or false, and what check says of it
UNSOUND = {
    "day <= '2025-07-20'": "'day' is a date; write a date as DATE '1957-03-01'",
    "day > 1950": "'day' is a date; write a date as DATE '1957-03-01'",
    "day BETWEEN 1 AND 2 AND item = '5'": "'day' is a date",
    "pieces = '5'": "'pieces' is a whole number",
    "item > 5": "'item' is a text",
    "price LIKE '1%'": "'price' is a number with 2 decimals",
    "pieces + item > 3": "'pieces' is a whole number, 'item' a text",
    "price": "the expression should be true or false; it is a number with 2 decimals",
    "day": "the expression should be true or false; it is a date",
    "1 = 1": "names no field",
    "NOT item": "'item' is a text",
    "day = (day - day)": "'day' is a date",
    "CAST(item AS DATE) = day": "'item' is a text, 'day' a date",
    "peices > 1": "unknown field 'peices'; did you mean 'pieces'",
    "pieces >": "does not parse",
}

SOUND = [
    "day <= DATE '2025-07-20'",
    "day BETWEEN DATE '1957-01-01' AND DATE '1957-12-31'",
    "EXTRACT(YEAR FROM day) = 1957 AND pieces > 3",
    "card > 100",
    "price * pieces >= 10.50",
    "item LIKE '0%' OR item IN ('12345', '54321')",
    "day IS NULL",
    "CAST(item AS INTEGER) > 5",
]


def stages(shop: Any, where: str, stage: str) -> list[dict[str, Any]]:
    if stage == "emit":
        chosen = {"file": "o.csv", "form": "csv", "where": where}
        return [*shop.chain()[:2], {"kind": "emit", "output": [chosen]}]
    return shop.chain({"kind": "spread", "columns": "1-2", "where": where})


@pytest.mark.parametrize("stage", ["emit", "spread"])
@pytest.mark.parametrize("where", UNSOUND)
def test_check_refuses_what_does_not_suit_the_fields(shop, tmp_path, stage, where) -> None:
    job = shop.job(tmp_path, stages(shop, where, stage), {"receipts": LAYOUT})
    said = shop.say("check", job)
    assert (said.code, UNSOUND[where] in said.err) == (2, True), said.err
    assert said.err.count("\n") == 1
    line = next(n for n, text in enumerate(job.read_text().splitlines(), 1) if "where" in text)
    assert f"job.toml:{line}" in said.err


@pytest.mark.parametrize("where", SOUND)
def test_check_passes_what_a_run_can_work_out(shop, tmp_path, where) -> None:
    job = shop.job(tmp_path, stages(shop, where, "emit"), {"receipts": LAYOUT})
    assert shop.say("check", job).code == 0
    deck = shop.deck(tmp_path / "d.txt", ["000010003000125" + "19570301"])
    assert shop.run(job, deck).folder.is_dir()


@pytest.mark.parametrize("holds", [where for where in UNSOUND if where.startswith(("day", "pie"))])
def test_rules_are_told_the_same_words(shop, tmp_path, holds) -> None:
    rule = f'[[rule]]\nname = "r"\nmessage = "is wrong"\nholds = "{holds}"\n'
    job = shop.job(tmp_path, shop.chain(), {"receipts": LAYOUT + rule})
    said = shop.say("check", job)
    assert (said.code, UNSOUND[holds] in said.err) == (2, True), said.err


# field of the new card, its source, and what check says of it
SOURCES = [
    ("day", {"compute": "pieces + 1"}, "field 'day' is a date, what is computed a whole number"),
    ("pieces", {"compute": "day"}, "field 'pieces' is a whole number, what is computed a date"),
    ("pieces", {"compute": "item + 1"}, "'item' is a text"),
    ("pieces", {"compute": "day > 5"}, "'day' is a date"),
    ("pieces", {"compute": "1 + 1"}, "names no field"),
    ("price", {"move": "day"}, "field 'price' is a number with 2 decimals, 'day' a date"),
    ("day", {"move": "pieces"}, "field 'day' is a date, 'pieces' a whole number"),
]


@pytest.mark.parametrize(("field", "source", "sentence"), SOURCES)
def test_check_refuses_a_new_card_that_cannot_be_made(
    shop, tmp_path, field, source, sentence
) -> None:
    reproduce = {"kind": "reproduce", "layout": "receipts", "fields": {field: source}}
    job = shop.job(tmp_path, shop.chain(reproduce), {"receipts": LAYOUT})
    said = shop.say("check", job)
    assert (said.code, sentence in said.err) == (2, True), said.err


MADE = [
    ("price", {"compute": "pieces * 2"}),
    ("pieces", {"compute": "price * 2"}),
    ("pieces", {"compute": "pieces > 2"}),
    ("item", {"compute": "pieces"}),
    ("item", {"compute": "EXTRACT(YEAR FROM day)"}),
    ("day", {"compute": "CAST(day AS VARCHAR)"}),
    ("pieces", {"move": "item"}),
    ("day", {"compute": "NULLIF(day, DATE '1957-01-01')"}),
]


@pytest.mark.parametrize(("field", "source"), MADE)
def test_what_check_passes_can_be_punched(shop, tmp_path, field, source) -> None:
    reproduce = {"kind": "reproduce", "layout": "receipts", "fields": {field: source}}
    job = shop.job(tmp_path, shop.chain(reproduce), {"receipts": LAYOUT})
    assert shop.say("check", job).code == 0
    deck = shop.deck(tmp_path / "d.txt", ["000010003000100" + "19570301"])
    assert shop.run(job, deck).folder.is_dir()


TYPES = {"a": pl.Int64(), "b": pl.Decimal(38, 1), "c": pl.Date(), "d": pl.String()}
ATOMS = st.sampled_from([*TYPES, "1", "2.5", "'x'", "DATE '1957-03-01'", "NULL"])
TEXTS = st.recursive(
    ATOMS,
    lambda inner: st.builds(
        "({} {} {})".format,
        inner,
        st.sampled_from(["=", "<", ">=", "<>", "+", "-", "*", "AND", "OR"]),
        inner,
    ),
    max_leaves=5,
)


@given(TEXTS, st.lists(st.booleans(), min_size=4, max_size=4))
def test_an_expression_that_is_passed_can_be_worked_out(text, there) -> None:
    expression = Expression(text)
    row = [1, 2, dt.date(1957, 3, 1), "x"]
    cells = {
        name: [value if known else None]
        for name, value, known in zip(TYPES, row, there, strict=True)
    }
    try:
        kind = expression.type_on(TYPES)
    except ValueError:
        return
    frame = pl.DataFrame(cells, schema=TYPES, strict=False)
    assert expression.evaluate(frame).dtype == kind

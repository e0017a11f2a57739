"""Numbers with exponents through a whole job: checked, sorted, matched, punched anew, delivered."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal
from typing import Any

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from sets import DEAR

LAYOUT = """
[[field]]
name = "run"
columns = "1-4"
kind = "digits"
[[field]]
name = "flow"
columns = "5-15"
kind = "exponent"
form = "9.9999E+99"
sign = "leading"
decimals = 8
low = "-100000"
unit = "litre a second"
[[rule]]
name = "not-one"
holds = "flow <> 1"
message = "the flow is one"
severity = "note"
"""
NARROW = LAYOUT.replace("5-15", "5-12").replace("9.9999E+99", "9.99+9")
WHOLE = LAYOUT.replace("5-15", "5-13").split("[[rule]]")[0].replace(
    'kind = "exponent"\nform = "9.9999E+99"', 'kind = "decimal"\npoint = "punched"'
).replace("decimals = 8", "decimals = 2").replace('low = "-100000"\n', "")  # fmt: skip
OUTPUT = [
    {"file": "o.csv", "form": "csv"},
    {"file": "o.parquet", "form": "parquet"},
    {"file": "o.jsonl", "form": "json-lines"},
    {"file": "o.txt", "form": "fixed", "layout": "wide"},
    {"file": "big.csv", "form": "csv", "where": "flow > 0.001", "columns": ["run"]},
]
LAYOUTS = {"wide": LAYOUT, "narrow": NARROW, "whole": WHOLE}


def chain(*middle: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"kind": "decode", "medium": {"kind": "text"}, "most_returned": "100 %"},
        {"kind": "validate", "layout": "wide", "most_returned": "100 %"},
        *middle,
    ]


def punched(number: int, mantissa: int, power: int) -> str:
    digits = f"{abs(mantissa):05}"
    sign = "-" if mantissa < 0 else " "
    return f"{number:04}{sign}{digits[0]}.{digits[1:]}E{power:+03}"


NUMBERS = st.lists(
    st.tuples(st.integers(-99999, 99999), st.integers(-4, 5)), min_size=1, max_size=12
)


@DEAR
@given(NUMBERS)
def test_values_arrive_sorted_and_exact_in_every_form(shop, room, numbers) -> None:
    folder = room()
    values = [Decimal(mantissa).scaleb(power - 4) for mantissa, power in numbers]
    stages = chain({"kind": "sort", "keys": ["flow"]}, {"kind": "emit", "output": OUTPUT})
    job = shop.job(folder, stages, LAYOUTS)
    assert shop.say("check", job).code == 0
    deck = shop.deck(folder / "d.txt", [punched(n, *one) for n, one in enumerate(numbers)])
    out = shop.run(job, deck, sizes=shop.small).folder / "out"
    good = [(v, n) for n, v in enumerate(values) if v >= -100000]
    wanted = [(f"{n:04}", v) for v, n in sorted(good)]
    rows = list(csv.DictReader(io.StringIO((out / "o.csv").read_text(), newline="")))
    assert [(row["run"], Decimal(row["flow"])) for row in rows] == wanted
    frame = pl.read_parquet(out / "o.parquet")
    assert frame.schema["flow"].is_decimal()
    assert list(zip(frame["run"], frame["flow"], strict=True)) == wanted
    lines = [json.loads(line) for line in (out / "o.jsonl").read_text().splitlines()]
    assert [(line["run"], Decimal(str(line["flow"]))) for line in lines] == wanted
    fixed = (out / "o.txt").read_text().splitlines()
    assert [(line[:4], Decimal(line[4:15].strip())) for line in fixed] == wanted
    assert all(line[4:15].strip().lstrip("-")[1] == "." for line in fixed)
    big = list(csv.DictReader(io.StringIO((out / "big.csv").read_text(), newline="")))
    assert [row["run"] for row in big] == [run for run, v in wanted if v > Decimal("0.001")]


def test_the_schema_calls_it_an_exact_number_with_its_unit(shop, tmp_path) -> None:
    job = shop.job(tmp_path, chain({"kind": "emit", "output": OUTPUT[:1]}), LAYOUTS)
    out = shop.run(job, shop.deck(tmp_path / "d.txt", [punched(1, 12345, 0)])).folder / "out"
    schema = json.loads((out / "o.csv.schema.json").read_text())
    flow = next(one for one in schema["fields"] if one["name"] == "flow")
    assert (flow["type"], flow["unit"]) == ("number", "litre a second")


def reproduced(shop: Any, folder: Any, layout: str, cards: list[str], **options: Any) -> Any:
    stage = {"kind": "reproduce", "layout": layout, **options}
    deck = {"kind": "emit", "output": [{"file": "o.txt", "form": "deck"}]}
    job = shop.job(folder, chain(stage, deck), LAYOUTS)
    return shop.run(job, shop.deck(folder / "d.txt", cards)).folder


def test_a_number_moves_to_a_narrower_card_exactly_or_comes_back(shop, tmp_path) -> None:
    cards = [punched(1, 12300, -2), punched(2, 12340, -2), punched(3, -45000, 4)]
    run = reproduced(shop, tmp_path, "narrow", cards)
    found = [line.rstrip() for line in (run / "out" / "o.txt").read_text().splitlines()]
    assert found == ["0001  1.23-2", "0003 -4.50+4"]
    (back,) = (run / "returned" / "d.txt").read_text().splitlines()
    assert back.rstrip() == cards[1]
    reasons = pl.read_csv(run / "returned" / "reasons.csv")
    assert reasons.select("card", "reason", "field").rows() == [(2, "does-not-fit", "flow")]


def test_a_number_moves_to_columns_with_a_plain_point(shop, tmp_path) -> None:
    cards = [punched(1, 12300, 2), punched(2, 12345, 1), punched(3, -45000, 3)]
    run = reproduced(shop, tmp_path, "whole", cards)
    found = [line.rstrip() for line in (run / "out" / "o.txt").read_text().splitlines()]
    assert found == ["0001000123.00", "0003-04500.00"]
    assert (run / "returned" / "d.txt").read_text().rstrip() == cards[1]


def test_a_card_that_keeps_its_number_keeps_how_it_is_punched(shop, tmp_path) -> None:
    cards = ["0001       8E-4", "0002   +1.50D02", "0003     1.25-2"]
    run = reproduced(shop, tmp_path, "wide", cards, base="card")
    found = [line.rstrip() for line in (run / "out" / "o.txt").read_text().splitlines()]
    assert found == [one.rstrip() for one in cards]


def test_a_master_is_matched_by_value_and_not_by_form(shop, tmp_path) -> None:
    (tmp_path / "flows.csv").write_text("flow,name\n150,mill race\n0.0008,drip\n")
    merge = {
        "kind": "merge", "master": "flows", "match": {"flow": "flow"}, "take": {"name": "name"},
    }  # fmt: skip
    emit = {
        "kind": "emit",
        "output": [{"file": "o.csv", "form": "csv", "columns": ["run", "name"]}],
    }
    job = shop.job(tmp_path, chain(merge, emit), LAYOUTS, files={"flows": "flows.csv"})
    deck = shop.deck(tmp_path / "d.txt", ["0001      15E01", "0002       8D-4", "0003    1.5E+02"])
    run = shop.run(job, deck).folder
    assert (run / "out" / "o.csv").read_text().splitlines() == [
        "run,name", "0001,mill race", "0002,drip", "0003,mill race",
    ]  # fmt: skip

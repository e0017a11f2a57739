"""What is delivered, returned and set aside, read back by other means than it was written."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.engine.planning.limits import Sizes
from sets import DEAR
from strategies import SIZES

LAYOUT = """
[[field]]
name = "key"
columns = "1-4"
kind = "digits"
label = "Key of the card"
[[field]]
name = "text"
columns = "5-16"
kind = "text"
[[field]]
name = "said"
columns = "17-22"
kind = "text"
blank = "text"
[[field]]
name = "amount"
columns = "23-28"
kind = "decimal"
decimals = 2
sign = "overpunch-right"
unit = "crown"
[[field]]
name = "count"
columns = "29-32"
kind = "whole"
sign = "leading"
fill = " "
[[field]]
name = "day"
columns = "33-40"
kind = "date"
form = "YYYYMMDD"
"""
PLUS, MINUS = "{ABCDEFGHI", "}JKLMNOPQR"
LETTERS = st.text('ab ,"\xe5\xdf;=|\\', max_size=12).map(str.rstrip)
CARDS = st.lists(
    st.fixed_dictionaries(
        {
            "text": LETTERS,
            "said": LETTERS.map(lambda text: text[:6].rstrip()),
            "amount": st.one_of(st.none(), st.integers(-99999, 99999)),
            "count": st.one_of(st.none(), st.integers(-999, 9999)),
            "day": st.one_of(st.none(), st.dates(dt.date(1, 1, 1), dt.date(9999, 12, 31))),
        },
    ),
    min_size=1,
    max_size=20,
)


def punch(number: int, card: dict[str, Any]) -> str:
    amount, count = card["amount"], card["count"]
    digits = "" if amount is None else f"{abs(amount):06}"
    if digits:
        digits = digits[:-1] + (MINUS if amount < 0 else PLUS)[int(digits[-1])]
    day = card["day"].isoformat().replace("-", "") if card["day"] else ""
    return (
        f"{number:04}{card['text']:12}{card['said']:6}{digits:6}"
        f"{'' if count is None else count:>4}{day:8}"
    )


def chain(*outputs: dict[str, Any], code: str = "latin-1", **medium: Any) -> list[dict[str, Any]]:
    return [
        {
            "kind": "decode",
            "medium": {"kind": "text", "code": code, **medium},
            "most_returned": "100 %",
        },
        {"kind": "validate", "layout": "cards", "most_returned": "100 %"},
        {"kind": "emit", "output": list(outputs)},
    ]


def cell(value: Any, scale: int = 2) -> str:
    if value is None:
        return ""
    if isinstance(value, int):
        return str(value)
    return value if isinstance(value, str) else str(value)


@pytest.mark.slow
@DEAR
@given(CARDS, SIZES)
def test_csv_read_by_another_reader_holds_what_was_punched(shop, room, cards, sizes) -> None:
    folder = room()
    columns = ["card", "key", "text", "said", "amount", "count", "day"]
    job = shop.job(folder, chain({"file": "o.csv", "form": "csv"}), {"cards": LAYOUT})
    deck = shop.deck(folder / "d.txt", [punch(n, card) for n, card in enumerate(cards, 1)])
    run = shop.run(job, deck, sizes=sizes).folder
    data = (run / "out" / "o.csv").read_bytes()
    rows = list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))
    assert rows[0] == columns
    for number, (card, row) in enumerate(zip(cards, rows[1:], strict=True), 1):
        amount = None if card["amount"] is None else Decimal(card["amount"]).scaleb(-2)
        assert row == [
            str(number),
            f"{number:04}",
            card["text"],
            card["said"],
            "" if amount is None else f"{amount:.2f}",
            cell(card["count"]),
            cell(card["day"] and card["day"].isoformat()),
        ]


# RFC 4180, section 2: lines end with CRLF; fields with quotes, commas or line breaks stand in
# quotes, and a quote within is doubled
def test_csv_is_written_as_the_rfc_says(shop, tmp_path) -> None:
    job = shop.job(tmp_path, chain({"file": "o.csv", "form": "csv"}), {"cards": LAYOUT})
    empty = {"text": "", "said": "", "amount": None, "count": None, "day": None}
    cards = [
        {**empty, "text": 'say "a,b"', "said": "x"},
        {**empty, "text": "plain", "said": "\xe5"},
        {**empty, "amount": -5, "count": 0},
    ]
    deck = shop.deck(tmp_path / "d.txt", [punch(n, card) for n, card in enumerate(cards, 1)])
    data = (shop.run(job, deck).folder / "out" / "o.csv").read_bytes()
    assert data.decode("utf-8").split("\r\n") == [
        "card,key,text,said,amount,count,day",
        '1,0001,"say ""a,b""",x,,,',
        "2,0002,plain,\xe5,,,",
        # a blank text that is a value is told from one that is missing
        '3,0003,,"",-0.05,0,',
        "",
    ]
    assert b"\n" not in data.replace(b"\r\n", b"")


def test_columns_of_a_csv_can_be_chosen_renamed_and_widened(shop, tmp_path) -> None:
    columns = [
        {"field": "amount", "as": "crowns", "decimals": 3},
        "card",
        {"field": "count", "decimals": 1},
    ]
    output = {"file": "o.csv", "form": "csv", "columns": columns, "where": "count > 1"}
    job = shop.job(tmp_path, chain(output), {"cards": LAYOUT})
    empty = {"text": "", "said": "", "amount": 125, "count": None, "day": None}
    cards = [empty, {**empty, "count": 2}, {**empty, "count": 1}]
    deck = shop.deck(tmp_path / "d.txt", [punch(n, card) for n, card in enumerate(cards, 1)])
    data = (shop.run(job, deck).folder / "out" / "o.csv").read_bytes()
    assert data == b"crowns,card,count\r\n1.250,2,2.0\r\n"


# Table Schema (a public specification): field types string, integer, number, date; a field has
# name, type, title, constraints
def test_the_schema_beside_a_csv_describes_its_columns(shop, tmp_path) -> None:
    job = shop.job(tmp_path, chain({"file": "o.csv", "form": "csv"}), {"cards": LAYOUT})
    card = {"text": "", "said": "", "amount": 1, "count": 1, "day": dt.date(1957, 1, 1)}
    run = shop.run(job, shop.deck(tmp_path / "d.txt", [punch(1, card)])).folder
    schema = json.loads((run / "out" / "o.csv.schema.json").read_text("utf-8"))
    heading = (run / "out" / "o.csv").read_text("utf-8").splitlines()[0].split(",")
    assert [field["name"] for field in schema["fields"]] == heading
    assert [field["type"] for field in schema["fields"]] == [
        "integer", "string", "string", "string", "number", "integer", "date",
    ]  # fmt: skip
    by_name = {field["name"]: field for field in schema["fields"]}
    assert by_name["key"]["title"] == "Key of the card"
    assert by_name["amount"]["unit"] == "crown"
    assert by_name["card"]["constraints"] == {"required": True, "unique": True}
    assert schema["missingValues"] == [""]


@DEAR
@given(CARDS, SIZES)
def test_fixed_lines_read_by_the_layout_beside_them_are_the_same_cards(
    shop, room, cards, sizes
) -> None:
    folder = room()
    outputs = [
        {"file": "o.txt", "form": "fixed", "layout": "cards"},
        {"file": "o.csv", "form": "csv"},
    ]
    job = shop.job(folder, chain(*outputs), {"cards": LAYOUT})
    images = [punch(n, card) for n, card in enumerate(cards, 1)]
    run = shop.run(job, shop.deck(folder / "d.txt", images), sizes=sizes).folder
    data = (run / "out" / "o.txt").read_bytes()
    layout = (run / "out" / "o.txt.layout.toml").read_text("utf-8")
    assert layout == LAYOUT
    # lines are UTF-8; characters, not bytes, stand in the columns
    again = room()
    shop.job(again, chain(outputs[1]), {"cards": layout})
    deck = shop.deck(again / "d.txt", data.decode("utf-8").splitlines())
    second = shop.run(again / "job.toml", deck).folder
    assert (second / "out" / "o.csv").read_bytes() == (run / "out" / "o.csv").read_bytes()


@pytest.mark.parametrize(
    "medium",
    [
        {"kind": "text", "code": "latin-1"},
        {"kind": "text", "code": "cp1252", "line_end": "crlf"},
        {"kind": "text", "code": "cp850"},
        {"kind": "blocks", "code": "cp037"},
        {"kind": "blocks", "code": "cp273"},
        {"kind": "blocks", "code": "cp500"},
        {"kind": "column-binary", "code": "ebcdic"},
    ],
    ids=lambda medium: f"{medium['kind']}-{medium['code']}",
)
def test_a_deck_in_any_medium_reads_back_as_the_same_cards(medium, shop, tmp_path) -> None:
    output = {"file": "o.deck", "form": "deck", "medium": medium}
    csv_of = {"file": "o.csv", "form": "csv"}
    job = shop.job(tmp_path, chain(output, csv_of), {"cards": LAYOUT})
    text = "\xe5\xdf#@$'\"=" if medium["code"] != "ebcdic" else "#@$'\"=<("
    card = {"text": text, "said": "&-/", "amount": -120, "count": 7, "day": None}
    images = [punch(n, card) for n in range(1, 12)]
    run = shop.run(job, shop.deck(tmp_path / "d.txt", images), sizes=shop.small).folder
    deck = run / "out" / "o.deck"
    again = tmp_path / "again"
    again.mkdir()
    stages = chain({"file": "o.txt", "form": "deck", "medium": {"kind": "text", "code": "latin-1"}},
                   csv_of)  # fmt: skip
    stages[0] = {"kind": "decode", "medium": medium}
    job = shop.job(again, stages, {"cards": LAYOUT})
    second = shop.run(job, deck, sizes=shop.small).folder
    assert (second / "out" / "o.txt").read_bytes() == shop.lines(images)
    assert (second / "out" / "o.csv").read_bytes() == (run / "out" / "o.csv").read_bytes()


def test_a_character_that_the_medium_lacks_stops_the_run_by_card(shop, tmp_path) -> None:
    output = {"file": "o.txt", "form": "deck", "medium": {"kind": "text", "code": "ascii"}}
    job = shop.job(tmp_path, chain(output), {"cards": LAYOUT})
    card = {"text": "", "said": "", "amount": 1, "count": 1, "day": None}
    images = [punch(1, card), punch(2, {**card, "text": "\xe5"})]
    deck = shop.deck(tmp_path / "d.txt", images)
    said = shop.say("run", job, deck, "--out", tmp_path / "run", "--workers", 1)
    assert said.code in {3, 4}
    assert "'\xe5'" in said.err
    assert "card 2" in said.err
    assert "output 'o.txt'" in said.err
    assert not (tmp_path / "run").exists()


# what comes back: byte for byte what came in

PIECES = st.one_of(
    st.just(b"0001good"),
    st.just(b"0002"),
    st.just(b""),
    st.just(b"   "),
    st.binary(max_size=90).filter(lambda line: b"\n" not in line and b"\r" not in line),
    st.sampled_from([b"000X", b"0003\ttab", b"x" * 81, b"0004" + b" " * 76 + b"9", b"00\x0004"]),
)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@DEAR
@given(st.lists(PIECES, min_size=1, max_size=15), st.sampled_from(["pad", "note", "return"]), SIZES)
def test_returned_and_kept_lines_are_all_lines_byte_for_byte(
    end, shop, room, lines, shorter, sizes
) -> None:
    folder = room()
    output = {"file": "o.csv", "form": "csv", "columns": ["card"]}
    job = shop.job(folder, chain(output, shorter=shorter), {"cards": LAYOUT})
    data = b"".join(line + end for line in lines)
    if data.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")):
        return  # read as a byte-order mark, which has tests of its own
    run = shop.run(job, shop.deck(folder / "d.txt", data), sizes=sizes).folder
    kept = {int(n) for n in (run / "out" / "o.csv").read_text("utf-8").split()[1:]}
    gone = b"".join(
        (run / part / "d.txt").read_bytes()
        for part in ("returned", "set-aside")
        if (run / part / "d.txt").exists()
    )
    away = [line for number, line in enumerate(lines, 1) if number not in kept]
    found = gone.split(end)[:-1]
    assert sorted(found) == sorted(away)
    control = shop.control(run)["equation"]
    assert control["returned"] + control["set_aside"] == len(away)
    # in the order of the deck
    returned = run / "returned" / "d.txt"
    if returned.exists():
        rest = iter(lines)
        assert all(line in rest for line in returned.read_bytes().split(end)[:-1])


@DEAR
@given(st.lists(st.one_of(st.just(b"0001"), st.binary(max_size=20)), min_size=1, max_size=9), SIZES)
def test_returned_and_kept_blocks_are_all_records_byte_for_byte(shop, room, cards, sizes) -> None:
    folder = room()
    records = [card.ljust(20, b"\x40") for card in (c.decode("latin-1").encode("cp037", "replace")
               if c == b"0001" else c for c in cards)]  # fmt: skip
    stages = chain({"file": "o.bin", "form": "deck"})
    stages[0] = {"kind": "decode", "medium": {"kind": "blocks", "record_length": 20}}
    short = 'record_length = 20\n[[field]]\nname = "key"\ncolumns = "1-4"\nkind = "digits"\n'
    job = shop.job(folder, stages, {"cards": short})
    run = shop.run(job, shop.deck(folder / "d.ebc", b"".join(records)), sizes=sizes).folder
    assert recovered(run, "d.ebc", "o.bin", 20) == sorted(records)


@DEAR
@given(
    st.lists(st.lists(st.integers(0, 0xFFF), min_size=1, max_size=6), min_size=1, max_size=8),
    st.sets(st.integers(0, 7)),
    SIZES,
)
def test_returned_and_kept_holes_are_all_holes(shop, room, cards, spare, sizes) -> None:
    folder = room()
    records = []
    for place, columns in enumerate(cards):
        holes = np.zeros(10, np.uint16)
        holes[: len(columns)] = columns
        pairs = np.stack([holes >> 6, holes & 0x3F], axis=1).astype(np.uint8)
        if place in spare:
            pairs[3, 0] |= 0x80
        records.append(pairs.tobytes())
    stages = chain({"file": "o.cbn", "form": "deck"})
    medium = {"kind": "column-binary", "record_length": 10}
    stages[0] = {"kind": "decode", "medium": medium, "most_returned": "100 %"}
    short = 'record_length = 10\n[[field]]\nname = "key"\ncolumns = "1-2"\nkind = "text"\n'
    job = shop.job(folder, stages, {"cards": short})
    run = shop.run(job, shop.deck(folder / "d.cbn", b"".join(records)), sizes=sizes).folder
    assert recovered(run, "d.cbn", "o.cbn", 20) == sorted(records)
    equation = shop.control(run)["equation"]
    assert equation["returned"] >= len([n for n in spare if n < len(cards)])


def recovered(run: Path, deck: str, output: str, size: int) -> list[bytes]:
    """Return all records of deliveries and returned cards, sorted."""
    paths = [run / "out" / output, run / "returned" / deck, run / "set-aside" / deck]
    data = b"".join(path.read_bytes() for path in paths if path.exists())
    return sorted(data[start : start + size] for start in range(0, len(data), size))


def test_a_returned_card_once_repaired_passes_when_dropped_again(shop, tmp_path) -> None:
    job = shop.job(tmp_path, chain({"file": "o.csv", "form": "csv"}), {"cards": LAYOUT})
    card = {"text": "x", "said": "", "amount": 1, "count": 1, "day": None}
    images = [punch(n, card) for n in range(1, 8)]
    images[2] = "00O3" + images[2][4:]
    images[5] = images[5][:28] + "1 2 " + images[5][32:]
    run = shop.run(job, shop.deck(tmp_path / "d.txt", images), out=tmp_path / "one").folder
    back = run / "returned" / "d.txt"
    assert back.read_bytes() == shop.lines([images[2], images[5]])
    # untouched they come back again, byte for byte
    again = shop.run(job, back, out=tmp_path / "again").folder
    assert (again / "returned" / "d.txt").read_bytes() == back.read_bytes()
    repaired = back.read_bytes().replace(b"00O3", b"0003").replace(b"1 2 ", b"  12")
    second = shop.run(job, shop.deck(tmp_path / "repaired.txt", repaired), out=tmp_path / "two")
    assert second.returned == 0
    assert second.delivered == 2


def test_a_returned_card_of_a_late_stage_comes_back_as_it_was_read(shop, tmp_path) -> None:
    copy = '[[field]]\nname = "small"\ncolumns = "1-2"\nkind = "whole"\n'
    stages = chain({"file": "o.txt", "form": "deck"})
    fields = {"small": {"move": "count"}}
    stages.insert(2, {"kind": "reproduce", "layout": "copy", "fields": fields})
    job = shop.job(tmp_path, stages, {"cards": LAYOUT, "copy": copy})
    card = {"text": "kept", "said": "", "amount": 1, "count": 12, "day": None}
    images = [punch(1, card), punch(2, {**card, "count": 345}), punch(3, card)]
    run = shop.run(job, shop.deck(tmp_path / "d.txt", images)).folder
    assert (run / "returned" / "d.txt").read_bytes() == shop.lines([images[1]])
    reasons = (run / "returned" / "reasons.csv").read_text("utf-8").splitlines()[1:]
    assert [line.split(",")[:6] for line in reasons] == [
        ["2", "d.txt", "2", "1", "3", "does-not-fit"]
    ]


def test_every_byte_of_a_code_page_survives_the_way_through(shop, tmp_path) -> None:
    stages = chain({"file": "o.bin", "form": "deck"})
    stages[0] = {"kind": "decode", "medium": {"kind": "blocks", "record_length": 1}}
    stages[1] = {**stages[1], "layout": "one"}
    one = 'record_length = 1\n[[field]]\nname = "any"\ncolumns = "1"\n'
    job = shop.job(tmp_path, stages, {"one": one})
    data = bytes(range(256))
    assert load_code("cp037").alphabet.defined.all()
    run = shop.run(job, shop.deck(tmp_path / "d.bin", data), sizes=Sizes(50, 7)).folder
    assert recovered(run, "d.bin", "o.bin", 1) == sorted(bytes([byte]) for byte in data)
    assert (run / "set-aside" / "d.bin").read_bytes() == b"\x40"

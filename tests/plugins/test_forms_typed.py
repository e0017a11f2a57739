"""Parquet, SQLite and JSON lines, read back by other libraries: every value exact."""

from __future__ import annotations

import datetime as dt
import json
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

import deckwright
from deckwright.engine.planning.limits import Sizes
from deckwright.journal.reader import Journal
from deckwright.testing import Backwards
from deckwright_plugins.forms.json_lines import _written
from forms_help import Column, Punched, decks
from sets import DEAR
from strategies import SIZES

OUTPUTS = [
    {"file": "o.parquet", "form": "parquet"},
    {"file": "o.sqlite", "form": "sqlite"},
    {"file": "o.jsonl", "form": "json-lines"},
]
TYPED = [output["file"] for output in OUTPUTS]


def chain(*middle: dict[str, Any], outputs: list[dict[str, Any]] | None = None, medium=None):
    return [
        {"kind": "decode", "medium": medium or {"kind": "text", "code": "latin-1"}},
        {"kind": "validate", "layout": "cards"},
        *middle,
        {"kind": "emit", "output": outputs or OUTPUTS},
    ]


def delivered(shop, folder: Path, found: Punched, *middle, sizes=None, **options: Any) -> Path:
    """Run a deck; return the folder of its deliveries."""
    outputs = options.pop("outputs", None)
    job = shop.job(folder, chain(*middle, outputs=outputs), {"cards": found.layout()})
    deck = shop.deck(folder / "d.txt", found.images())
    return shop.run(job, deck, sizes=sizes, **options).folder / "out"


def from_parquet(path: Path) -> list[tuple[Any, ...]]:
    table = pq.read_table(path)
    return list(zip(*(column.to_pylist() for column in table.columns), strict=True))


def from_duckdb(path: Path) -> list[tuple[Any, ...]]:
    with duckdb.connect() as database:
        return database.execute("SELECT * FROM read_parquet(?)", [str(path)]).fetchall()


def from_sqlite(path: Path, table: str = "cards") -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return database.execute(f'SELECT * FROM "{table}" ORDER BY rowid').fetchall()  # noqa: S608


def from_lines(path: Path) -> list[dict[str, Any]]:
    lines = path.read_bytes().decode("utf-8").split("\n")
    assert lines.pop() == ""
    return [json.loads(line, parse_float=Decimal) for line in lines]


def as_text(value: Any) -> Any:
    """Return a value as a database without decimals and dates holds it."""
    if isinstance(value, Decimal):
        return f"{value:f}"
    return value.isoformat() if isinstance(value, dt.date) else value


def with_text_dates(value: Any) -> Any:
    return value.isoformat() if isinstance(value, dt.date) else value


@DEAR
@given(decks(), SIZES)
def test_every_value_comes_back_exact_and_what_is_missing_stays_missing(
    shop, room, found, sizes
) -> None:
    out = delivered(shop, room(), found, sizes=sizes)
    wanted = found.wanted()
    assert from_parquet(out / "o.parquet") == wanted
    assert from_duckdb(out / "o.parquet") == wanted
    assert from_sqlite(out / "o.sqlite") == [tuple(map(as_text, row)) for row in wanted]
    headings = ["card", *(column.name for column in found.columns)]
    lines = from_lines(out / "o.jsonl")
    assert [list(line) for line in lines] == [headings] * len(wanted)
    assert [tuple(line.values()) for line in lines] == [
        tuple(map(with_text_dates, row)) for row in wanted
    ]
    # every digit is there, also zeros at the end, and no float anywhere
    for line, row in zip(lines, wanted, strict=True):
        for value, exact in zip(line.values(), row, strict=True):
            assert isinstance(value, Decimal) == (isinstance(exact, Decimal))
            assert str(value) == str(with_text_dates(exact))
    outputs = {one["file"]: one for one in shop.control(out.parent)["outputs"]}
    assert list(outputs) == TYPED
    assert {outputs[name]["rows"] for name in TYPED} == {len(wanted)}


@DEAR
@given(decks(), SIZES, SIZES)
def test_a_typed_form_has_the_same_bytes_however_cards_are_cut(
    shop, room, found, one, other
) -> None:
    sort = {"kind": "sort", "keys": ["last"]}
    first = delivered(shop, room(), found, sort, sizes=one)
    second = delivered(shop, room(), found, sort, sizes=other, executor=Backwards())
    for name in TYPED:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def many(count: int) -> Punched:
    """Return a deck of many cards, some values missing."""
    columns = [Column("item", "text", 5), Column("amount", "decimal", 9, 2),
               Column("day", "date", 8), Column("last", "whole", 6)]  # fmt: skip
    rows = [
        (
            f"T{n * 31 % 977}" if n % 7 else None,
            Decimal(n * 7919 % 99_999 - 5_000).scaleb(-2) if n % 11 else None,
            dt.date(1900, 1, 1) + dt.timedelta(n % 20_000) if n % 13 else None,
            n,
        )
        for n in range(count)
    ]
    return Punched(columns, rows)


def test_workers_do_not_show_in_a_typed_form(shop, room) -> None:
    found = many(3_000)
    sort = {"kind": "sort", "keys": ["item", "day"]}
    one = delivered(shop, room(), found, sort)
    two = delivered(shop, room(), found, sort, sizes=Sizes(500, 77), workers=2)
    for name in TYPED:
        assert (one / name).read_bytes() == (two / name).read_bytes(), name
    assert shop.sums(one.parent) == shop.sums(one.parent)


def test_row_groups_of_parquet_follow_from_the_columns_alone(shop, room, monkeypatch) -> None:
    module = "deckwright_plugins.forms.parquet"
    monkeypatch.setattr(f"{module}._MOST_ROWS", 256)
    found = many(1_000)
    sort = {"kind": "sort", "keys": ["day"]}
    out = delivered(shop, room(), found, sort, sizes=Sizes(300, 100))
    facts = pq.ParquetFile(out / "o.parquet").metadata
    groups = [facts.row_group(number).num_rows for number in range(facts.num_row_groups)]
    assert groups == [256, 256, 256, 232]
    again = delivered(shop, room(), found, sort, sizes=Sizes(77, 33))
    assert (again / "o.parquet").read_bytes() == (out / "o.parquet").read_bytes()


def test_columns_have_types_and_headings(shop, tmp_path) -> None:
    columns = ["card", {"field": "amount", "as": "crowns", "decimals": 3}, "day", "last",
               {"field": "last", "as": "wide", "decimals": 1}, "item"]  # fmt: skip
    outputs = [{**output, "columns": columns, "where": "last > 1"} for output in OUTPUTS]
    outputs[1]["table"] = "receipts"
    out = delivered(shop, tmp_path, many(4), outputs=outputs)
    schema = pq.read_schema(out / "o.parquet")
    assert schema.names == ["card", "crowns", "day", "last", "wide", "item"]
    kinds = [pa.int64(), pa.decimal128(38, 3), pa.date32(), pa.int64(), pa.decimal128(38, 1)]
    assert schema.types[:5] == kinds
    assert pa.types.is_large_string(schema.types[5]) or pa.types.is_string(schema.types[5])
    row = (3, Decimal("108.380"), dt.date(1900, 1, 3), 2, Decimal("2.0"), "T62")
    assert from_parquet(out / "o.parquet")[0] == row
    assert from_sqlite(out / "o.sqlite", "receipts")[0] == tuple(map(as_text, row))
    assert (out / "o.jsonl").read_text("utf-8").splitlines()[0] == (
        '{"card":3,"crowns":108.380,"day":"1900-01-03","last":2,"wide":2.0,"item":"T62"}'
    )
    for name in TYPED:
        beside = json.loads((out / f"{name}.schema.json").read_text("utf-8"))
        assert beside["missingValues"] == []
        assert [(one["name"], one["type"]) for one in beside["fields"]] == [
            ("card", "integer"), ("crowns", "number"), ("day", "date"), ("last", "integer"),
            ("wide", "number"), ("item", "string"),
        ]  # fmt: skip


def test_a_row_leads_back_to_its_card(shop, tmp_path) -> None:
    sort = {"kind": "sort", "keys": [{"field": "last", "order": "descending"}]}
    outputs = [{**output, "where": "last <> 4"} for output in OUTPUTS]
    out = delivered(shop, tmp_path, many(9), sort, sizes=shop.small, outputs=outputs)
    for name, rows in (("o.parquet", from_parquet), ("o.sqlite", from_sqlite)):
        cards = [row[0] for row in rows(out / name)]
        assert Journal(out.parent).output_cards(name).tolist() == cards
        said = shop.say("trace", out.parent, "--output", name, "--line", 5)
        assert said.out.startswith(f"card {cards[4]} ")
    lines = [line["card"] for line in from_lines(out / "o.jsonl")]
    assert Journal(out.parent).output_cards("o.jsonl").tolist() == lines


def test_a_form_without_any_card_is_whole(shop, tmp_path) -> None:
    outputs = [{**output, "where": "last > 100"} for output in OUTPUTS]
    out = delivered(shop, tmp_path, many(9), outputs=outputs)
    assert from_parquet(out / "o.parquet") == []
    assert pq.read_schema(out / "o.parquet").names == ["card", "item", "amount", "day", "last"]
    assert from_sqlite(out / "o.sqlite") == []
    assert (out / "o.jsonl").read_bytes() == b""


def test_odd_characters_are_carried(shop, tmp_path) -> None:
    texts = ['"', "\\", "a\\nb", "\xff", "null", "1.0", "\xad", "{}"]
    found = Punched(
        [Column("word", "text", 8), Column("last", "whole", 4)],
        [(text, number) for number, text in enumerate(texts)],
    )
    out = delivered(shop, tmp_path, found)
    assert [row[1] for row in from_parquet(out / "o.parquet")] == texts
    assert [row[1] for row in from_sqlite(out / "o.sqlite")] == texts
    assert [line["word"] for line in from_lines(out / "o.jsonl")] == texts


def test_a_database_sums_exactly_as_the_guide_says(shop, tmp_path) -> None:
    found = many(40)
    out = delivered(shop, tmp_path, found)
    page = Path(deckwright.__file__).parent / "guide" / "forms.md"
    said = re.search(r"`(SUM\(.*?)`", page.read_text("utf-8"))
    assert said is not None
    with closing(sqlite3.connect(out / "o.sqlite")) as database:
        total = database.execute(f"SELECT {said[1]} FROM cards").fetchone()[0]  # noqa: S608
    assert Decimal(total).scaleb(-2) == sum(row[1] for row in found.rows if row[1] is not None)


@given(st.lists(st.none() | st.text(max_size=6)))
def test_json_lines_escape_every_character_that_json_wants_escaped(texts) -> None:
    written = _written(pl.Series(texts, dtype=pl.String)).to_list()
    assert [json.loads(each) for each in written] == texts


def test_work_files_and_journals_of_the_database_are_gone(shop, tmp_path) -> None:
    out = delivered(shop, tmp_path, many(50), sizes=shop.small)
    names = sorted(path.name for path in out.iterdir())
    assert names == sorted([*TYPED, *(f"{name}.schema.json" for name in TYPED)])
    assert not list(tmp_path.glob(".*.unfinished"))


@pytest.mark.parametrize(
    ("output", "key", "said"),
    [
        ({"form": "sqlite", "columns": [{"field": "last", "as": "Item"}, "item"]}, "columns",
         "headings 'Item' and 'item' are one name for SQLite"),
        ({"form": "sqlite", "table": "sqlite_own"}, "table", "keeps for itself"),
        ({"form": "sqlite", "columns": [{"field": "item", "as": f"c{n}"} for n in range(2_001)]},
         "columns", "holds 2,000 columns, not 2,001"),
        ({"form": "parquet", "columns": ["item", "item"]}, "columns", "stands twice"),
        ({"form": "parquet", "columns": ["itm"]}, "columns", "did you mean 'item'?"),
        ({"form": "parquet", "colums": ["item"]}, "colums", "did you mean 'columns'?"),
        ({"form": "json-lines", "table": "x"}, "table", "unknown key 'table'"),
        ({"form": "parquet", "columns": ["item", {"feild": "last"}]}, "columns",
         "output 'o.x': unknown key 'columns[2].feild'; did you mean 'field'?"),
        ({"form": "parquet", "where": "itm > 1"}, "where",
         "output 'o.x': unknown field 'itm'; did you mean 'item'?"),
        ({"form": 5}, "form", "output 'o.x': form: 5 is no form; one of: csv, deck,"),
        ({"form": "sqlite", "table": "a-b"}, "table", "table: should be letters, digits and '_'"),
        ({"form": "parqet"}, "form", "there is no form 'parqet'; did you mean 'parquet'?"),
        ({}, "file", "the key 'form' is missing; one of: csv, deck, fixed, json-lines"),
    ],
)  # fmt: skip
def test_what_a_form_cannot_hold_is_said_before_the_run_with_file_and_line(
    shop, tmp_path, output, key, said
) -> None:
    path = shop.job(tmp_path, chain()[:2], {"cards": many(1).layout()})
    lines = path.read_text("utf-8").splitlines()
    lines += ["[[stage]]", 'kind = "emit"', "[[stage.output]]", 'file = "o.x"']
    lines += [f"{name} = {shop.toml(value)}" for name, value in output.items()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    at = next(n for n, line in enumerate(lines, 1) if line.startswith(f"{key} = ") and n > 3)
    if not output:
        at = lines.index("[[stage.output]]") + 1
    answer = shop.say("check", path)
    assert answer.code == 2
    assert f"{path}:{at}: stage 3 (emit): " in answer.err
    assert said in answer.err
    assert "should be a valid string" not in answer.err


TELLS_PEAK = """
import sys
from pathlib import Path
from deckwright.cli.main import main

place = Path(sys.argv.pop(1))
try:
    main()
finally:
    lines = Path("/proc/self/status").read_text().splitlines()
    place.write_text(next(line.split()[1] for line in lines if line.startswith("VmHWM")))
"""


def peak(shop, folder: Path, form: str, cards: int) -> int:
    """Return the most resident memory of a run that delivers so many cards, in bytes."""
    folder.mkdir()
    found = many(1_000)
    output = [{"file": "o.x", "form": form}]
    job = shop.job(folder, chain(outputs=output), {"cards": found.layout()}, record_log=False)
    deck = shop.deck(folder / "d.txt", shop.lines(found.images()) * (cards // 1_000))
    run = [folder / "peak", "run", job, deck, "--out", folder / "run", "--workers", "1"]
    command = [sys.executable, "-c", TELLS_PEAK, *map(str, run)]
    done = subprocess.run(command, check=False, capture_output=True, text=True)  # noqa: S603 # ours
    assert done.returncode == 0, done.stderr
    assert shop.control(folder / "run")["outputs"][0]["rows"] == cards
    return int((folder / "peak").read_text()) * 1024


@pytest.mark.slow
@pytest.mark.parametrize("form", ["parquet", "sqlite", "json-lines"])
def test_memory_does_not_grow_with_the_deck(shop, tmp_path, form) -> None:
    few = peak(shop, tmp_path / "few", form, 200_000)
    assert peak(shop, tmp_path / "many", form, 1_000_000) < few + 32 * 2**20

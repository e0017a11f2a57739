"""Matching against a plain dict, for masters of every kind."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.engine.planning.limits import Sizes
from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from sets import DEAR

LAYOUT = """
[[field]]
name = "item"
columns = "1-3"
kind = "digits"
[[field]]
name = "place"
columns = "4-15"
kind = "text"
[[field]]
name = "count"
columns = "16-19"
kind = "whole"
sign = "leading"
fill = " "
[[field]]
name = "serial"
columns = "20-23"
"""
FIXED = """
record_length = 50
[[field]]
name = "item"
columns = "1-3"
[[field]]
name = "place"
columns = "4-23"
[[field]]
name = "count"
columns = "24-30"
kind = "whole"
sign = "leading"
fill = " "
[[field]]
name = "name"
columns = "31-50"
"""
ITEMS = st.sampled_from(["000", "001", "010", "999"])
PLACES = st.sampled_from(["NORTH", "NORTH GATE", "NORTH GATE A", "NORTH GATE B", "SOUTH"])
COUNTS = st.sampled_from([0, 1, -1, 999])
NAMES = st.one_of(st.just("Old, \xc5ngtown"), st.text("abc ", min_size=1, max_size=9))
CARDS = st.lists(st.tuples(ITEMS, PLACES, COUNTS), min_size=1, max_size=25)
RECORDS = st.lists(
    st.tuples(ITEMS, PLACES, COUNTS, NAMES.map(str.strip).filter(bool)), min_size=1, max_size=12
)
KEYS = st.sampled_from([["item"], ["place"], ["count"], ["item", "place"],
                        ["place", "count", "item"]])  # fmt: skip
KINDS = ["csv", "parquet", "sqlite", "fixed"]
COLUMNS = ["item", "place", "count", "name"]


def write_master(folder: Path, kind: str, records: list[tuple[Any, ...]]) -> dict[str, str]:
    """Write a master; return the job's table for it."""
    table = {"csv": "m.csv", "parquet": "m.parquet", "sqlite": "m.sqlite", "fixed": "m.txt"}
    path = folder / table[kind]
    path.unlink(missing_ok=True)
    kinds = [pl.String, pl.String, pl.Int64, pl.String]
    frame = pl.DataFrame(records, schema=dict(zip(COLUMNS, kinds, strict=True)), orient="row")
    if kind == "csv":
        frame.write_csv(path)
    elif kind == "parquet":
        frame.write_parquet(path)
    elif kind == "sqlite":
        connection = sqlite3.connect(path)
        connection.execute("CREATE TABLE depots (item TEXT, place TEXT, count INTEGER, name TEXT)")
        connection.executemany("INSERT INTO depots VALUES (?, ?, ?, ?)", records)
        connection.commit()
        connection.close()
    else:
        lines = [f"{i:3}{p:20}{c:>7}{n:20}\n" for i, p, c, n in records]
        path.write_bytes("".join(lines).encode("latin-1"))
    return {"m": path.name}


def merge_job(shop, folder, kind, keys, **options) -> Path:
    master = {"file": "m"}
    if kind == "fixed":
        master |= {"layout": "depots", "code": "latin-1"}
    stages = [
        {"kind": "decode", "medium": {"kind": "text", "code": "latin-1"}},
        {"kind": "validate", "layout": "cards"},
        {
            "kind": "merge",
            "master": master,
            "match": {key: key for key in keys},
            "take": {"name": "name"},
            **options,
        },
        {"kind": "emit", "output": [{"file": "o.csv", "form": "csv", "columns": ["card", "name"]}]},
    ]
    files = {"m": {"csv": "m.csv", "parquet": "m.parquet", "sqlite": "m.sqlite"}.get(kind, "m.txt")}
    return shop.job(folder, stages, {"cards": LAYOUT, "depots": FIXED}, files=files)


def punch(cards: list[tuple[str, str, int]]) -> list[str]:
    return [f"{i:3}{p:12}{c:>4}{n:04}" for n, (i, p, c) in enumerate(cards, 1)]


def reckon(cards, records, keys, duplicates) -> dict[str, Any]:
    """Return outcomes by a plain dict: matched card to name, without, repeated, masters alone."""
    known: dict[tuple, list[int]] = {}
    for number, record in enumerate(records, 1):
        key = tuple(record[COLUMNS.index(name)] for name in keys)
        known.setdefault(key, []).append(number)
    matched, without, repeated, met = {}, [], [], set()
    for card, values in enumerate(cards, 1):
        key = tuple(values[COLUMNS.index(name)] for name in keys)
        numbers = known.get(key, [])
        if not numbers:
            without.append(card)
            continue
        number = numbers[-1] if duplicates == "last" else numbers[0]
        met.add(number)
        if duplicates == "return" and len(numbers) > 1:
            repeated.append(card)
        else:
            matched[card] = (number, records[number - 1][3])
    several = [numbers for numbers in known.values() if len(numbers) > 1]
    alone = [number for number in range(1, len(records) + 1) if number not in met]
    return {"matched": matched, "without": without, "repeated": repeated, "several": several,
            "alone": alone}  # fmt: skip


def reasons(run: Path) -> dict[str, list[int]]:
    """Return the cards of every reason that was given."""
    found: dict[str, list[int]] = {}
    for row in Journal(run).entries.sort("card").iter_rows(named=True):
        found.setdefault(row["reason"], []).append(row["card"])
    return found


@pytest.mark.parametrize("kind", KINDS)
@DEAR
@given(CARDS, RECORDS, KEYS, st.sampled_from(["first", "last", "return"]),
       st.sampled_from(["return", "keep"]))  # fmt: skip
def test_outcomes_are_those_of_a_dict(
    kind, shop, room, cards, records, keys, duplicates, unmatched
) -> None:
    folder = room()
    write_master(folder, kind, records)
    job = merge_job(shop, folder, kind, keys, duplicates=duplicates, unmatched=unmatched)
    deck = shop.deck(folder / "d.txt", punch(cards))
    run = shop.run(job, deck, sizes=Sizes(8, 3)).folder
    oracle = reckon(cards, records, keys, duplicates)
    rows = pl.read_csv(run / "out" / "o.csv", infer_schema=False).rows()
    expected = {card: name for card, (_, name) in oracle["matched"].items()}
    if unmatched == "keep":
        expected |= dict.fromkeys(oracle["without"])
    assert {int(card): name for card, name in rows} == expected
    given_reasons = reasons(run)
    assert given_reasons.get("no-master", []) == oracle["without"]
    assert given_reasons.get("repeated-master", []) == oracle["repeated"]
    alone = pl.read_csv(run / "out" / "m-without-card.csv", infer_schema=False)
    assert alone["record"].cast(pl.Int64).to_list() == oracle["alone"]
    assert alone["name"].to_list() == [records[number - 1][3] for number in oracle["alone"]]
    facts = shop.control(run)["stages"][2]["facts"]
    assert facts["masters"] == len(records)
    assert facts["masters_without_card"] == len(oracle["alone"])
    assert facts["matched"] == len(cards) - len(oracle["without"])
    assert facts["without_master"] == len(oracle["without"])
    met = {e["card"]: e["record"] for e in events(Journal(run)) if e["event"] == "card_matched"}
    assert {card: met[card] for card in oracle["matched"]} == {
        card: number for card, (number, _) in oracle["matched"].items()
    }


@DEAR
@given(CARDS, RECORDS, KEYS)
def test_repeated_keys_stop_the_run_unless_the_job_says_what_counts(
    shop, room, cards, records, keys
) -> None:
    folder = room()
    write_master(folder, "csv", records)
    job = merge_job(shop, folder, "csv", keys)
    deck = shop.deck(folder / "d.txt", punch(cards))
    said = shop.say("run", job, deck, "--out", folder / "run", "--workers", 1)
    several = reckon(cards, records, keys, "first")["several"]
    assert said.code == (4 if several else 0), said.err
    if several:
        assert "master 'm' has the same key in records " in said.err
        assert "duplicates = 'first', 'last' or 'return'" in said.err
        named = {f"records {' and '.join(map(str, numbers[:3]))}" for numbers in several}
        listed = said.err.partition("same key in ")[2].partition(";  put")[0]
        assert any(name in listed for name in named)
        assert not (folder / "run").exists()


def refused(shop, folder: Path, **options: Any) -> Any:
    job = merge_job(shop, folder, "csv", ["item"], **options)
    deck = shop.deck(folder / "d.txt", punch([("001", "NORTH", 1)]))
    said = shop.say("run", job, deck, "--out", folder / "run", "--workers", 1)
    assert not (folder / "run").exists()
    assert not list(folder.glob(".*"))
    assert "Traceback" not in said.err
    return said


def test_a_master_without_records_is_named(shop, tmp_path) -> None:
    (tmp_path / "m.csv").write_text("item,place,count,name\n", encoding="utf-8")
    said = refused(shop, tmp_path)
    assert said.code == 4
    assert "master 'm' holds no records" in said.err


def test_a_master_that_is_an_empty_file_is_named(shop, tmp_path) -> None:
    (tmp_path / "m.csv").touch()
    said = refused(shop, tmp_path)
    assert said.code in {2, 4}
    assert "master 'm'" in said.err


def test_a_missing_master_is_named_with_file_and_line(shop, tmp_path) -> None:
    said = refused(shop, tmp_path)
    assert said.code == 2
    assert "master 'm': there is no file" in said.err
    assert "job.toml:" in said.err


def test_a_key_of_another_form_is_named_with_an_example(shop, tmp_path) -> None:
    (tmp_path / "m.csv").write_text("item,place,count,name\n1,N,1,x\n10,S,2,y\n", encoding="utf-8")
    said = refused(shop, tmp_path)
    assert said.code == 4
    assert "has no key of the cards' form" in said.err
    assert "'1'" in said.err
    assert "3 columns" in said.err


def test_some_keys_of_another_form_are_counted(shop, tmp_path) -> None:
    text = "item,place,count,name\n1,N,1,x\n001,S,2,y\n,S,2,z\n"
    (tmp_path / "m.csv").write_text(text, encoding="utf-8")
    job = merge_job(shop, tmp_path, "csv", ["item"])
    deck = shop.deck(tmp_path / "d.txt", punch([("001", "NORTH", 1)]))
    run = shop.run(job, deck).folder
    assert shop.control(run)["stages"][2]["facts"]["unusable_master_keys"] == 2
    alone = (run / "out" / "m-without-card.csv").read_text("utf-8").splitlines()
    assert [line.split(",")[0] for line in alone] == ["record", "1", "3"]


def test_a_text_file_named_as_parquet_is_refused_in_one_sentence(shop, tmp_path) -> None:
    (tmp_path / "m.csv").write_text("item,place,count,name\n001,N,1,x\n", encoding="utf-8")
    (tmp_path / "m.parquet").write_text("item,place,count,name\n001,N,1,x\n", encoding="utf-8")
    job = merge_job(shop, tmp_path, "parquet", ["item"])
    said = shop.say("check", job)
    assert said.code == 2
    assert said.err.count("\n") == 1
    assert "master 'm' cannot be read" in said.err


def test_a_column_that_the_master_lacks_is_named_with_its_neighbours(shop, tmp_path) -> None:
    (tmp_path / "m.csv").write_text("item,place,count,nme\n001,N,1,x\n", encoding="utf-8")
    said = refused(shop, tmp_path)
    assert said.code == 2
    assert "unknown column of master 'm' 'name'; did you mean 'nme'" in said.err


def test_a_ragged_master_is_refused_in_one_sentence(shop, tmp_path) -> None:
    text = "item,place,count,name\n001,N,1,x\n002,N,1,x,y,z\n"
    (tmp_path / "m.csv").write_text(text, encoding="utf-8")
    said = refused(shop, tmp_path)
    assert said.code in {2, 4}
    assert said.err.count("deckwright: ") == 1
    assert "master 'm'" in said.err


def test_a_master_text_that_the_decks_code_lacks_is_named(shop, tmp_path) -> None:
    text = "item,place,count,name\n001,N,1,\u4e2d\n"
    (tmp_path / "m.csv").write_text(text, encoding="utf-8")
    said = refused(shop, tmp_path)
    assert said.code == 4
    assert "master 'm' record 1" in said.err


def test_an_unusable_key_never_meets_a_blank_one(shop, tmp_path) -> None:
    text = "item,place,count,name\n,N,1,nobody\n001,S,2,y\n"
    (tmp_path / "m.csv").write_text(text, encoding="utf-8")
    job = merge_job(shop, tmp_path, "csv", ["item"], unmatched="keep")
    deck = shop.deck(tmp_path / "d.txt", punch([("", "NORTH", 1), ("001", "NORTH", 1)]))
    run = shop.run(job, deck).folder
    assert (run / "out" / "o.csv").read_text("utf-8").splitlines()[1:] == ["1,", "2,y"]


def test_two_matches_with_one_master_list_what_each_left(shop, tmp_path) -> None:
    (tmp_path / "depots.csv").write_text("item,next\n00001,00002\n00002,00003\n00009,00009\n")
    merge = {"kind": "merge", "master": "depots", "unmatched": "keep"}
    chain = shop.chain()
    chain[2:2] = [
        {**merge, "match": {"item": "item"}, "take": {"next": "next"}},
        {**merge, "match": {"item": "next"}, "take": {"before": "item"}},
    ]
    job = shop.job(tmp_path, chain, files={"depots": "depots.csv"})
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1), shop.receipt(3)])
    out = shop.run(job, deck, out=tmp_path / "run").folder / "out"
    first = (out / "depots-without-card.csv").read_text().split()
    second = (out / "4-depots-without-card.csv").read_text().split()
    assert first == ["record,item,next", "2,00002,00003", "3,00009,00009"]
    assert second == ["record,item,next", "1,00001,00002", "3,00009,00009"]

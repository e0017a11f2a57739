"""Holes that are no character are told wherever a reason is told, with their column."""

from __future__ import annotations

import csv
import json

import pytest

from deckwright import clean_card
from deckwright.cards.holes import parse_pattern
from holes_help import punched, two_bytes
from picture_help import half_punched, named_cards, saved, zipped

COLUMN, HOLES = 9, "12-1-3-9"
LAYOUT = """
[[field]]
name = "item"
columns = "1-5"
kind = "digits"

[[field]]
name = "amount"
columns = "6-11"
kind = "digits"
severity = "SEVERITY"
"""
LISTS = {"fatal": "returned/reasons.csv", "query": "queries.csv", "note": "notes.csv"}


def chain(medium: dict[str, str]) -> list[dict[str, object]]:
    """Return decode and check, with a list of what goes on."""
    return [
        {"kind": "decode", "medium": medium, "most_returned": "100 %"},
        {"kind": "validate", "layout": "receipts", "most_returned": "100 %"},
        {"kind": "emit", "output": [{"file": "o.csv", "form": "csv"}]},
    ]


def listed(folder, severity: str) -> list[dict[str, str]]:
    """Return the rows of a list."""
    with (folder / LISTS[severity]).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("severity", LISTS)
def test_the_holes_of_a_faulty_column_are_told_everywhere(shop, tmp_path, severity: str) -> None:
    holes = punched("ebcdic", ["00001000100", "00002000200", "00003000300"])
    holes[1, COLUMN - 1] = parse_pattern(HOLES)
    job = shop.job(
        tmp_path,
        chain({"kind": "column-binary"}),
        {"receipts": LAYOUT.replace("SEVERITY", severity)},
    )
    deck = shop.deck(tmp_path / "deck.cbn", two_bytes(holes))
    run = shop.run(job, deck).folder
    (row,) = listed(run, severity)
    assert row["reason"] == "illegal-pattern"
    assert (row["column"], row["found"]) == (str(COLUMN), f"000[{HOLES}]00")
    events = [json.loads(line) for line in (run / "log.jsonl").read_text().splitlines()]
    (told,) = [event for event in events if event.get("found")]
    assert (told["column"], told["found"]) == (COLUMN, f"000[{HOLES}]00")
    assert f"column {COLUMN}, found '000[{HOLES}]00'" in shop.say("trace", run, 2).out
    assert f"column {COLUMN}: " in (log := shop.say("log", run, "--card", 2).out)
    assert f"(found '000[{HOLES}]00')" in log
    assert "\x1a" not in "".join(
        path.read_text(encoding="utf-8")
        for path in run.rglob("*")
        if path.suffix in {".csv", ".html", ".json", ".jsonl"} and path.parent.name != "out"
    )
    if severity == "fatal":
        assert f"000[{HOLES}]00" in shop.say("draw", run, 2).out
        for page in ("control.html", "returned.html"):
            text = (run / page).read_text(encoding="utf-8")
            assert f"column {COLUMN}" in text
            assert f"000[{HOLES}]00" in text


def test_a_stage_after_the_check_tells_the_holes_too(shop, tmp_path) -> None:
    layout = LAYOUT.replace("SEVERITY", "note")
    stages = chain({"kind": "column-binary"})
    stages[2:2] = [{"kind": "merge", "master": "book", "match": {"amount": "amount"}}]
    (tmp_path / "book.csv").write_text("amount\n000100\n", encoding="utf-8")
    holes = punched("ebcdic", ["00001000100", "00002000100"])
    holes[1, COLUMN - 1] = parse_pattern(HOLES)
    job = shop.job(tmp_path, stages, {"receipts": layout}, files={"book": "book.csv"})
    run = shop.run(job, shop.deck(tmp_path / "deck.cbn", two_bytes(holes))).folder
    (row,) = listed(run, "fatal")
    assert (row["reason"], row["found"]) == ("no-master", f"000[{HOLES}]00")


def test_pictures_tell_holes_that_were_read_and_say_which_columns_were_not(shop, tmp_path) -> None:
    holes = punched("ebcdic", ["00002000200"])[0]
    holes[COLUMN - 1] = parse_pattern(HOLES)
    box = tmp_path / "box.zip"
    drawn = {"b.png": saved(clean_card(holes)), "c.png": saved(half_punched("00003000300", 20))}
    box.write_bytes(zipped({**named_cards(["00001000100"], "a-{}.png"), **drawn}))
    layout = LAYOUT.replace("SEVERITY", "fatal")
    job = shop.job(tmp_path, chain({"kind": "pictures", "cut": "upper-left"}), {"receipts": layout})
    illegal, unsure = listed(shop.run(job, box).folder, "fatal")
    assert illegal["reason"] == "illegal-pattern"
    assert (illegal["column"], illegal["found"]) == (str(COLUMN), f"000[{HOLES}]00")
    assert (unsure["card"], unsure["column"]) == ("3", "20")
    assert unsure["found"] == f"{'00003000300':<19}\ufffd{'':60}"

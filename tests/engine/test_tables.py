"""Tables that a stage keeps beside the cards, and what it says after the last card."""

from __future__ import annotations

import csv
import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright import Table
from deckwright.engine.planning.limits import Sizes
from sets import DEAR
from strategies import SIZES

LISTING = '''"""Lists cards whose amount is above a limit, and what their items sum up to."""

from __future__ import annotations

import numpy as np
import polars as pl

from deckwright import Book, Closing, Known, StageConfig, Table, Tray, TrayStage, hookimpl


class ListingConfig(StageConfig):
    """List cards."""

    severity: str = ""
    """Of a fault of the run as a whole; none when left out."""
    table: str = "large"
    """The table that the rows go to."""


class ListingStage(TrayStage[ListingConfig]):
    kind = "listing"

    def tables(self) -> dict[str, Table]:
        columns = {"note": "text", "tens": "whole", "twice": "decimal", "day": "date"}
        return {"large": Table(columns, title="Large amounts", on_sheet=True)}

    def run(self, tray: Tray, book: Book) -> Tray:
        amounts = tray["amount"]
        for every in (3, 2):  # the second before the first would be another order of rows
            rows = np.flatnonzero((tray.cards % every == 0) & (amounts > 1).to_numpy())
            some = amounts.gather(rows)
            day = pl.Series([None] * len(rows), dtype=pl.Date)
            book.rows(tray, rows, self.config.table, {
                "note": tray["note"].gather(rows), "tens": [every] * len(rows),
                "twice": some * 2, "day": day,
            })
        large = np.flatnonzero((amounts > 5).to_numpy())
        said = [f"is {amount}" for amount in amounts.gather(large).to_list()]
        book.fault(tray, large, "too-large", field="amount", detail="is above 5", details=said)
        return book.settle(tray)

    def finish(self, closing: Closing) -> dict[str, int | str]:
        closing.rows("large", {"note": ["in all"], "tens": [closing.cards], "twice": [None],
                               "day": [None]})
        if self.config.severity:
            closing.fault("no-trailer", "batch 7 has no trailer", self.config.severity)
        return {"seen": closing.cards}


@hookimpl
def deckwright_stages():
    return [ListingStage]
'''


def listing_job(shop, folder, **options):
    (folder / "listing.py").write_text(LISTING)
    return shop.job(
        folder, shop.chain({"kind": "listing", **options}), plugins=["listing.py"], record_log=True
    )


def rows_of(run):
    with (run / "out" / "large.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def amount(cents: int) -> str:
    return f"{cents:06}"[:-1] + "{ABCDEFGHI"[cents % 10]


@DEAR
@given(
    st.lists(st.tuples(st.integers(0, 700), st.sampled_from(["", "a,b", 'say "x"'])), min_size=1,
             max_size=40),
    SIZES,
)  # fmt: skip
def test_rows_lie_in_the_order_of_the_cards_and_hold_what_was_entered(
    shop, room, cards, sizes
) -> None:
    folder = room()
    job = listing_job(shop, folder)
    texts = [shop.receipt(1, amount(cents), note) for cents, note in cards]
    half = len(texts) // 2
    decks = [shop.deck(folder / "a.txt", texts[: half + 1]), shop.deck(folder / "b.txt", texts)]
    every = cards[: half + 1] + cards
    run = shop.run(job, *decks, sizes=sizes).folder
    expected = []
    for number, (cents, note) in enumerate(every, 1):
        for tens in (3, 2):
            if number % tens == 0 and cents > 100:
                place = number if number <= half + 1 else number - half - 1
                deck = "a.txt" if number <= half + 1 else "b.txt"
                twice = Decimal(2 * cents) / 100
                expected.append([str(number), deck, str(place), note, str(tens), f"{twice:.2f}"])
    found = rows_of(run)
    *of_cards, last = [list(row.values()) for row in found]
    assert [row[:6] for row in of_cards] == expected
    assert all(row[6] == "" for row in of_cards)
    assert last == ["", "", "", "in all", str(len(every)), "", ""]
    control = shop.control(run)
    assert control["tables"] == [{"stage": 3, "table": "large", "rows": len(found)}]
    assert next(o for o in control["outputs"] if o["file"] == "large.csv")["rows"] == len(found)
    whole = shop.run(job, *decks, out=folder / "whole").folder
    assert shop.sums(run) == shop.sums(whole) or _without_journal(shop, run) == _without_journal(
        shop, whole
    )


def _without_journal(shop, run):
    """The journal's tables follow the tasks; the manifest names them."""
    files = shop.sums(run)
    return {
        name: digest
        for name, digest in files.items()
        if not name.startswith("journal/") and name != "manifest.json"
    }


def test_tasks_in_two_processes_give_the_same_table(shop, tmp_path) -> None:
    job = listing_job(shop, tmp_path)
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1, amount(n * 9)) for n in range(60)])
    one = shop.run(job, deck, out=tmp_path / "one", sizes=Sizes(7, 3)).folder
    two = shop.run(job, deck, out=tmp_path / "two", sizes=Sizes(7, 3), workers=2).folder
    assert shop.sums(one) == shop.sums(two)


@pytest.fixture(scope="module")
def listed(shop, room):
    folder = room()
    job = listing_job(shop, folder, severity="query")
    deck = shop.deck(folder / "d.txt", [shop.receipt(1, amount(n * 100)) for n in range(9)])
    return shop.run(job, deck).folder


def test_a_line_of_a_table_leads_to_its_card(shop, listed) -> None:
    rows = rows_of(listed)
    for line, row in enumerate(rows[:-1], 2):
        said = shop.say("trace", listed, "--output", "large.csv", "--line", line)
        assert said.out.startswith(f"card {row['card']} (")
    said = shop.say("trace", listed, "--output", "large.csv", "--line", len(rows) + 1)
    assert said.code == 2
    assert "line 8 of 'large.csv' belongs to no card" in said.err


def test_the_schema_beside_it_names_every_column_with_its_type(listed) -> None:
    schema = json.loads((listed / "out" / "large.csv.schema.json").read_text("utf-8"))
    assert [(f["name"], f["type"]) for f in schema["fields"]] == [
        ("card", "integer"), ("deck", "string"), ("card_in_deck", "integer"), ("note", "string"),
        ("tens", "integer"), ("twice", "number"), ("day", "date"),
    ]  # fmt: skip


def test_a_table_stands_on_the_control_sheet_and_so_does_a_fault_of_the_run(shop, listed) -> None:
    page = (listed / "control.html").read_text("utf-8")
    assert "<h2>Large amounts</h2>" in page
    assert "batch 7 has no trailer" in page
    assert '<a href="#run-faults">the run as a whole</a>' in page
    fault = {"stage": 3, "severity": "query", "reason": "no-trailer"}
    fault["detail"] = "batch 7 has no trailer"
    assert shop.control(listed)["run_faults"] == [fault]
    events = [json.loads(line) for line in (listed / "log.jsonl").read_text("utf-8").splitlines()]
    (told,) = [event for event in events if event["event"] == "run_faulted"]
    assert told["detail"] == "batch 7 has no trailer"
    assert told["kind"] == "listing"


def test_each_card_has_a_detail_of_its_own_and_is_counted_by_the_rule(shop, listed) -> None:
    with (listed / "returned" / "reasons.csv").open(encoding="utf-8", newline="") as file:
        found = [(row["card"], row["detail"]) for row in csv.DictReader(file)]
    assert found == [("7", "is 6.00"), ("8", "is 7.00"), ("9", "is 8.00")]
    (reason,) = [r for r in shop.control(listed)["reasons"] if r["reason"] == "too-large"]
    assert (reason["detail"], reason["cards"]) == ("is above 5", 3)


def test_a_fatal_fault_of_the_run_delivers_nothing(shop, tmp_path) -> None:
    job = listing_job(shop, tmp_path, severity="fatal")
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 4
    assert said.err.endswith(
        "\ndeckwright: stage 3 (listing): batch 7 has no trailer (no-trailer);"
        " nothing was delivered\n"
    )
    assert not (tmp_path / "run").exists()


def test_rows_of_a_table_that_is_not_declared_end_the_run_in_one_sentence(shop, tmp_path) -> None:
    job = listing_job(shop, tmp_path, table="larg")
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1, amount(500))] * 3)
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 3
    assert "there is no table 'larg'; did you mean 'large'? (listing.py:" in said.err
    assert not (tmp_path / "run").exists()


def test_a_table_may_not_have_the_name_of_a_delivery(shop, tmp_path) -> None:
    (tmp_path / "listing.py").write_text(LISTING.replace('"large"', '"cards"'), "utf-8")
    job = shop.job(tmp_path, shop.chain({"kind": "listing"}), plugins=["listing.py"])
    said = shop.say("check", job)
    assert said.code == 2
    assert "file 'cards.csv' is written twice" in said.err


WRONG = {
    "a float": ({"n": [1.5]}, "not exact"),
    "too many decimals": ({"n": [Decimal("1.005")]}, "more than 2 decimals"),
    "a text": ({"n": ["x"]}, "is no decimal"),
    "another column": ({"m": [1]}, "column 'm' is not declared"),
    "none": ({}, "column 'n' is missing"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_values_that_would_change_are_refused(wrong) -> None:
    columns, said = WRONG[wrong]
    with pytest.raises(ValueError, match=said):
        Table({"n": "decimal"}).frame("t", columns)


@given(st.lists(st.one_of(st.none(), st.decimals(-(10**9), 10**9, places=2))))
def test_values_are_kept_exactly(values) -> None:
    assert Table({"n": "decimal"}).frame("t", {"n": values})["n"].to_list() == values


@pytest.mark.parametrize(
    ("name", "column", "kind", "said"),
    [
        ("Two Words", "n", "whole", "small letters"),
        ("t", "card", "whole", "has a column 'card' already"),
        ("t", "n", "holes", "cannot be of kind 'holes'"),
    ],
)
def test_a_declaration_that_cannot_be_is_told(name, column, kind, said) -> None:
    (fault,) = Table({column: kind}).faults(name)
    assert said in fault

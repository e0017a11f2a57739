"""A delivery is the next state of a master only when its account follows from what was read."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright import MasterAccount
from deckwright.engine.planning.limits import Sizes
from deckwright.errors import CarriedFileError, OutputError

PLUGIN = Path(__file__).parents[1] / "service" / "house_plugins" / "post.py"
STOCK = "item,amount\r\n00001,5\r\n00002,7\r\n00004,9\r\n"
LAYOUT = (
    '[[field]]\nname = "item"\ncolumns = "1-5"\nkind = "digits"\n'
    '[[field]]\nname = "amount"\ncolumns = "6-11"\nkind = "whole"\nblank = "missing"\n'
)
CARDS = ["00002000008", "00003000001", "00004      "]


def made(folder: Path, shop, changes: Mapping[str, str] | None = None, **options) -> Path:
    """Write a job that posts to the stock book; its plugin with some of its text changed.

    options: those of the plugin's stage.
    """
    text = PLUGIN.read_text(encoding="utf-8")
    for old, new in (changes or {}).items():
        assert old in text
        text = text.replace(old, new)
    (folder / "post.py").write_text(text, encoding="utf-8")
    (folder / "stock.csv").write_text(STOCK, encoding="utf-8", newline="")
    merge = {"kind": "merge", "master": {"file": "stock", "kind": "csv"}, "match": {"item": "item"},
             "take": {"before": "amount"}, "unmatched": "keep"}  # fmt: skip
    stages = [
        {"kind": "decode", "medium": {"kind": "text"}},
        {"kind": "validate", "layout": "stock"},
        merge,
        {"kind": "post", **options},
        {"kind": "emit", "output": [{"file": "cards.txt", "form": "deck"}]},
    ]
    files = {"stock": "stock.csv"}
    return shop.job(folder, stages, {"stock": LAYOUT}, files=files, plugins=["post.py"])


@pytest.mark.parametrize("sizes", [None, Sizes(1, 1)])
def test_the_account_goes_into_control_figures_manifest_and_sheet(tmp_path, shop, sizes):
    job, deck = made(tmp_path, shop), shop.deck(tmp_path / "deck.txt", CARDS)
    run = shop.run(job, deck, sizes=sizes).folder
    moved = {"stage": 4, "file": "next.csv", "master": "stock"}
    account = {"before": 3, "added": 1, "deleted": 1, "after": 3, "read": 3}
    assert shop.control(run)["next_masters"] == [moved | account]
    manifest = json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["next_masters"] == [moved | account]
    assert "out/next.csv" in {file["name"] for file in manifest["files"]}
    (output,) = (o for o in shop.control(run)["outputs"] if o["file"] == "next.csv")
    assert output["rows"] == 3
    book = pl.read_csv(run / "out" / "next.csv", schema={"item": pl.String, "amount": pl.Int64})
    assert book.rows() == [("00001", 5), ("00002", 8), ("00003", 1)]
    assert "stock: records before" in (run / "control.html").read_text(encoding="utf-8")


def test_a_run_without_a_next_master_says_so(tmp_path, shop):
    job = shop.job(tmp_path, shop.chain())
    run = shop.run(job, shop.deck(tmp_path / "deck.txt", [shop.receipt(1)])).folder
    assert shop.control(run)["next_masters"] == []


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("MasterAccount(len(old), added", "MasterAccount(len(old), added + 1",
         "3 records before + 2 added - 1 deleted are not 3 after"),
        ("rows=len(new)", "rows=len(new) - 1", "2 records were delivered, its account says 3"),
        ("MasterAccount(len(old), added, deleted, len(new))", "MasterAccount(2, 1, 0, len(new))",
         "stock has 3 records, its account says 2 before"),
        ("MasterAccount(len(old), added, deleted, len(new))", "MasterAccount(3, 1, 1, -3)",
         "are not -3 after"),
        ("closing.deliver([", "print([", "it was not delivered"),
        ('self.config.file: "stock"', 'self.config.file: "depot"', "name no master 'depot'"),
    ],
)  # fmt: skip
def test_an_account_that_does_not_follow_fails_the_run(tmp_path, shop, old, new, why):
    job = made(tmp_path, shop, {old: new})
    with pytest.raises(CarriedFileError, match=r"next\.csv cannot be carried on") as error:
        shop.run(job, shop.deck(tmp_path / "deck.txt", CARDS))
    assert why in str(error.value)
    assert error.value.stage == "stage 4 (post)"
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize("name", ["cards.txt", "../stock.csv", ""])
def test_a_delivery_at_the_end_never_takes_the_place_of_another_file(tmp_path, shop, name):
    job = made(tmp_path, shop, file=name)
    before = (tmp_path / "stock.csv").read_bytes()
    with pytest.raises(OutputError):
        shop.run(job, shop.deck(tmp_path / "deck.txt", CARDS))
    assert (tmp_path / "stock.csv").read_bytes() == before
    assert not (tmp_path / "run").exists()


def test_a_next_master_is_carried_with_the_state_that_was_read(tmp_path, shop):
    job, deck = made(tmp_path, shop), shop.deck(tmp_path / "deck.txt", CARDS)
    run = shop.run(job, deck).folder
    read, made_now = (
        hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (tmp_path / "stock.csv", run / "out" / "next.csv")
    )
    carried = {"stage": 4, "name": "stock", "file": "next.csv", "records": 3}
    assert shop.control(run)["carried"] == [carried | {"read": read, "made": made_now}]


CARRIES = """    def carried_files(self) -> dict[str, str]:
        return {"FILE": "NAME"}

    def finish("""


@pytest.mark.parametrize(
    ("file", "name", "why"),
    [
        ("next.csv", "depot", "the job's [files] name no file 'depot'"),
        ("more.csv", "stock", "it was not delivered"),
        ("cards.txt", "stock", "next.csv is the next 'stock' already"),
    ],
)
def test_what_cannot_be_carried_on_fails_the_run(tmp_path, shop, file, name, why):
    carries = CARRIES.replace("FILE", file).replace("NAME", name)
    job = made(tmp_path, shop, {"    def finish(": carries})
    with pytest.raises(CarriedFileError) as error:
        shop.run(job, shop.deck(tmp_path / "deck.txt", CARDS))
    assert f"{file} cannot be carried on to the next run: {why};" in str(error.value)
    assert not (tmp_path / "run").exists()


def test_what_cards_meet_as_a_master_is_carried_on_as_a_master_only(tmp_path, shop):
    job = made(tmp_path, shop, {"next_masters(self)": "carried_files(self)"})
    with pytest.raises(CarriedFileError, match="cards meet 'stock' as a master; declare it in"):
        shop.run(job, shop.deck(tmp_path / "deck.txt", CARDS))
    assert not (tmp_path / "run").exists()


@given(st.integers(0, 9), st.integers(0, 9), st.integers(0, 9), st.integers(-9, 9))
def test_an_account_balances_when_it_adds_up_to_something(before, added, deleted, off):
    after = before + added - deleted
    assert MasterAccount(before, added, deleted, after).balances == (after >= 0)
    assert MasterAccount(before, added, deleted, after + off).balances == (after >= 0 and not off)
    assert not MasterAccount(before, -1, deleted, before - 1 - deleted).balances


def test_check_refuses_a_next_master_that_no_stage_declares(tmp_path, shop):
    place = tmp_path / "config" / "jobs"
    place.mkdir(parents=True)
    job = made(place, shop)
    shutil.copy(place / "stock.toml", place.parent / "stock.toml")
    service = place.parent / "service.toml"
    service.write_text('[jobs.job]\nmaster = "stock"\nnext_master = "next.csv"\n')
    assert shop.say("check", job).code == 0
    service.write_text('[jobs.job]\nmaster = "stock"\nnext_master = "cards.txt"\n')
    said = shop.say("check", job)
    assert said.code == 2
    assert f"{service}:3: next_master: no stage of the job declares 'cards.txt'" in said.err
    assert "declared: next.csv" in said.err
    service.write_text('[jobs.job]\nnext_master = "next.csv"\n')
    assert "needs the key 'master' too" in shop.say("check", job).err
    service.write_text('[jobs.job]\nmaster = "depot"\n')
    assert "do not name 'depot'; they name stock" in shop.say("check", job).err

"""Stages that work on the deliveries: what they see, what they may write, what is made of it."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import deckwright
from deckwright.cards.codetable import ASCII_LATIN
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from guide_plugins import guide_plugin

WRITES = '''"""Writes what it sees, and whatever it is told to."""

import json

from deckwright import FinishStage, StageConfig, hookimpl


class WritesConfig(StageConfig):
    """Write a list of what is there."""

    files: list[str] = ["seen.json"]
    """The files to write."""


class WritesStage(FinishStage[WritesConfig]):
    kind = "writes"

    def finish(self, closing):
        seen = []
        for one in closing.deliveries:
            with one.path.open("rb") as file:
                first = file.read(8).hex()
            seen.append([one.name, one.stage, one.form, one.rows, one.size, one.sha256, first,
                         [field["name"] for field in one.schema.get("fields", [])]])
        for name in self.config.files:
            closing.write(name, [json.dumps(seen).encode(), b"\\n"])
        return {"seen": len(seen)}


@hookimpl
def deckwright_stages():
    return [WritesStage]
'''


def finished(shop, folder: Path, plugin: str, *stages: dict[str, Any], at: int = 3, **kept):
    """Run a chain of several deliveries with finishers in it; return the run folder."""
    (folder / "odd.py").write_text(plugin, encoding="utf-8")
    chain = list(shop.chain())
    output = [
        {"file": "cards.csv", "form": "csv"},
        {
            "file": "cards.parquet",
            "form": "parquet",
            "columns": ["item"],
            "where": "item > '00001'",
        },
        {"file": "cards.txt", "form": "deck"},
    ]
    chain[-1] = {"kind": "emit", "output": output}
    chain[at:at] = stages
    job = shop.job(folder, chain, plugins=["odd.py"])
    deck = shop.deck(folder / "d.txt", [shop.receipt(n) for n in range(1, 12)])
    return shop.run(job, deck, sizes=shop.small, **kept).folder


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_finisher_sees_every_file_of_out_wherever_it_stands(shop, tmp_path, at) -> None:
    run = finished(shop, tmp_path, WRITES, {"kind": "writes"}, at=at)
    label = f"stage {4 if at < 3 else 3} (emit)"
    found = {one[0]: one[1:] for one in json.loads((run / "out" / "seen.json").read_text("utf-8"))}
    names = ["cards.csv", "cards.csv.schema.json", "cards.parquet", "cards.parquet.schema.json",
             "cards.txt"]  # fmt: skip
    assert list(found) == names
    for name, (stage, _, _, size, digest, first, _) in found.items():
        path = run / "out" / name
        assert stage == label
        assert (size, digest) == (path.stat().st_size, sha256(path))
        assert first == path.read_bytes()[:8].hex()
    assert [one[1] for one in found.values()] == ["csv", "", "parquet", "", "deck"]
    assert [one[2] for one in found.values()] == [11, None, 10, None, 11]
    assert [one[6] for one in found.values()] == [
        ["card", "item", "amount", "note"], [], ["item"], [], [],
    ]  # fmt: skip


def test_what_a_finisher_writes_is_in_the_manifest_and_on_the_sheet(shop, tmp_path) -> None:
    names = ["seen.json", "package/data/seen.json", "cards.csv"]
    run = finished(shop, tmp_path, WRITES, {"kind": "writes", "files": names, "title": "All seen"})
    manifest = json.loads((run / "manifest.json").read_text("utf-8"))
    listed = {one["name"]: (one["size"], one["sha256"]) for one in manifest["files"]}
    # a delivery is never written over
    written = ["seen.json", "package/data/seen.json", "4-cards.csv"]
    for name in [f"out/{name}" for name in written]:
        assert listed[name] == ((run / name).stat().st_size, sha256(run / name))
    every = {p.relative_to(run).as_posix() for p in run.rglob("*") if p.is_file()}
    assert set(listed) == every - {"manifest.json"}
    sheet = (run / "control.html").read_text("utf-8")
    assert "All seen" in sheet
    assert "out/package/data/seen.json" in sheet


def test_cards_pass_a_finisher_by_and_the_journal_stays_true(shop, tmp_path) -> None:
    run = finished(shop, tmp_path, WRITES, {"kind": "writes"}, at=2)
    control = shop.control(run)
    assert control["equation"]["holds"]
    stage = control["stages"][2]
    assert (stage["kind"], stage["in"], stage["out"]) == ("writes", 11, 11)
    assert stage["facts"] == {"seen": 5}
    assert shop.say("trace", run, 3).out.splitlines()[3].split() == ["3", "writes", "unchanged"]
    cards = [shop.receipt(n).ljust(80) for n in range(1, 12)]
    text = np.array([list(card.encode()) for card in cards], np.uint8)
    numbers, images = replay(Journal(run), text, ASCII_LATIN)
    assert numbers.tolist() == list(range(1, 12))
    assert [image.tobytes().decode() for image in images] == cards
    assert Journal(run).output_cards("cards.parquet").tolist() == list(range(2, 12))


@pytest.mark.parametrize(
    "name", ["../out.json", "/x", "a//b", "a/./b", "", ".", "a/", "a\nb", "cards.csv/x"]
)  # fmt: skip
def test_a_finisher_writes_nowhere_else(shop, tmp_path, name) -> None:
    (tmp_path / "odd.py").write_text(WRITES, encoding="utf-8")
    chain = [*shop.chain(), {"kind": "writes", "files": [name]}]
    job = shop.job(tmp_path, chain, plugins=["odd.py"])
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(1)])
    before = {path.name for path in tmp_path.iterdir()}
    said = shop.say("run", job, deck, "--out", tmp_path / "run")
    assert said.code == 3
    told = said.err.splitlines()[-1]
    failed = "deckwright: stage 4 (writes) (odd.py) failed in finish: "
    assert told.startswith(f"{failed}{name!r} cannot be")
    assert {path.name for path in tmp_path.iterdir()} == before


def test_the_code_book_of_the_guide_describes_each_column(shop, tmp_path) -> None:
    book = {"kind": "code-book", "file": "about/columns.csv"}
    run = finished(shop, tmp_path, guide_plugin("code-book"), book)
    text = (run / "out" / "about" / "columns.csv").read_bytes().decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [(row["delivery"], row["column"], row["type"]) for row in rows] == [
        ("cards.csv", "card", "integer"),
        ("cards.csv", "item", "string"),
        ("cards.csv", "amount", "number"),
        ("cards.csv", "note", "string"),
        ("cards.parquet", "item", "string"),
    ]
    assert rows[0]["title"] == "Card number"
    assert rows[4]["sha256"] == sha256(run / "out" / "cards.parquet")
    assert shop.control(run)["stages"][-1]["facts"] == {"columns_described": 5}


def test_the_examples_of_the_guide_are_short(shop) -> None:
    for kind in ("code-book", "tabs", "zipped"):
        lines = guide_plugin(kind).splitlines()
        assert len([line for line in lines if line.strip()]) < 40, kind
    assert "FinishStage" in deckwright.__all__

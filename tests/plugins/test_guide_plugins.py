"""The plugins that the guide shows, as files beside a job and as distributions of their own."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
from pathlib import Path

import pytest

from deckwright.testing import LAYOUT, MediumContract, StageContract, example_deck
from guide_plugins import GUIDE, guide_plugin

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
GROUPS = {"stages": "deckwright_stages", "media": "deckwright_media", "forms": "deckwright_forms",
          "notices": "deckwright_notices"}  # fmt: skip


def blocks() -> list[str]:
    """Return every whole plugin of the guide and of DEVELOPERS.md."""
    texts = [path.read_text(encoding="utf-8") for path in (GUIDE, DEVELOPERS)]
    found = [b for text in texts for b in re.findall(r"```python\n(.*?)```", text, re.DOTALL)]
    return [block for block in found if "@hookimpl" in block]


def kind_of(block: str) -> str:
    """Return the kind that a plugin brings."""
    return re.search(r'^ {4}kind = "([^"]+)"$', block, re.MULTILINE)[1]


KINDS = [kind_of(block) for block in blocks()]


class TestExcess(StageContract):
    kind = "excess"
    options = {"field": "amount", "limit": "40.00"}  # noqa: RUF012 # as the guide shows it
    plugins = ("excess.py",)

    def setup_files(self, folder: Path) -> None:
        (folder / "excess.py").write_text(guide_plugin("excess"), encoding="utf-8")

    def test_the_table_lists_what_a_plain_program_finds(self, tmp_path: Path) -> None:
        run = self.run_stage(tmp_path, "run").folder
        with (run / "out" / "cards.csv").open(encoding="utf-8", newline="") as file:
            amounts = [(row["card"], float(row["amount"])) for row in csv.DictReader(file)]
        with (run / "out" / "excess.csv").open(encoding="utf-8", newline="") as file:
            listed = [
                (r["card"], float(r["value"]), float(r["excess"])) for r in csv.DictReader(file)
            ]
        wanted = [(card, amount, round(amount - 40, 2)) for card, amount in amounts if amount > 40]
        assert [(c, v, round(e, 2)) for c, v, e in listed] == wanted
        assert wanted


class TestRegister(StageContract):
    kind = "register"
    options = {"field": "item"}  # noqa: RUF012
    plugins = ("register.py",)
    files = {"register": "batches.csv"}  # noqa: RUF012

    def setup_files(self, folder: Path) -> None:
        (folder / "register.py").write_text(guide_plugin("register"), encoding="utf-8")
        if not (folder / "batches.csv").exists():
            (folder / "batches.csv").write_text("batch\n00003\n00099\n", encoding="utf-8")

    def test_the_next_run_reads_what_this_one_made(self, tmp_path: Path) -> None:
        first = self.run_stage(tmp_path, "first").folder
        made = (first / "out" / "register.csv").read_bytes()
        items = sorted({f"{place * 7 % 17:05}" for place in range(60)} | {"00099"})
        assert made.decode().splitlines() == ["batch", *items]
        (tmp_path / "batches.csv").write_bytes(made)
        second = self.run_stage(tmp_path, "second").folder
        assert (second / "out" / "register.csv").read_bytes() == made
        (one,), (two,) = (json.loads((run / "manifest.json").read_text("utf-8"))["carried"]
                          for run in (first, second))  # fmt: skip
        assert (one["name"], one["file"], one["records"]) == ("register", "register.csv", 18)
        assert one["read"] != one["made"] == two["read"] == two["made"]
        asked = [json.loads((run / "control.json").read_text("utf-8"))["stages"][2]["queries"]
                 for run in (first, second)]  # fmt: skip
        assert asked == [sum(place * 7 % 17 == 3 for place in range(60)), 60]


class TestJsonCards(MediumContract):
    options = {"kind": "json-cards"}  # noqa: RUF012
    plugins = ("json_cards.py",)

    def job(self, folder: Path, *given, **more) -> Path:
        (folder / "json_cards.py").write_text(guide_plugin("json-cards"), encoding="utf-8")
        return super().job(folder, *given, **more)

    def deck(self) -> bytes:
        cards = example_deck(25).decode().splitlines()
        return "".join(f"{json.dumps(card.rstrip())}\n" for card in cards).encode()


@pytest.mark.parametrize("line", ['"\u00e9"', "17", '"' + "x" * 81 + '"', '"no end', "null"])
def test_a_line_that_is_no_card_is_refused_in_a_sentence(shop, tmp_path, line) -> None:
    (tmp_path / "json_cards.py").write_text(guide_plugin("json-cards"), encoding="utf-8")
    chain = shop.chain()
    chain[0] = {"kind": "decode", "medium": {"kind": "json-cards"}}
    job = shop.job(tmp_path, chain, plugins=["json_cards.py"])
    (tmp_path / "d.json").write_text(f'"00001"\n{line}\n', encoding="utf-8")
    said = shop.say("run", job, tmp_path / "d.json", "--out", tmp_path / "run")
    assert said.code == 4
    assert "has no text of up to 80 characters in line 2" in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize("kind", KINDS)
def test_each_is_one_file_of_under_forty_lines_of_code(kind) -> None:
    block = next(b for b in blocks() if kind_of(b) == kind)
    code = [line for line in block.splitlines() if line.strip()]
    most = 60 if kind == "post" else 44
    assert len(code) <= most, f"{kind} has {len(code)} lines"


@pytest.fixture(scope="module")
def site(tmp_path_factory) -> Path:
    """Return a folder of installed distributions, one for each plugin."""
    folder = tmp_path_factory.mktemp("site")
    for block in blocks():
        kind = kind_of(block)
        module = f"stranger_{kind.replace('-', '_')}"
        (group,) = (group for group, hook in GROUPS.items() if f"def {hook}(" in block)
        (folder / f"{module}.py").write_text(block, encoding="utf-8")
        meta = folder / f"{module}-2.5.dist-info"
        meta.mkdir()
        name = module.replace("_", "-")
        text = f"Metadata-Version: 2.1\nName: {name}\nVersion: 2.5\n"
        (meta / "METADATA").write_text(text, encoding="utf-8")
        points = f"[deckwright.{group}]\n{kind} = {module}\n"
        (meta / "entry_points.txt").write_text(points, encoding="utf-8")
    return folder


def test_all_of_them_are_found_as_distributions_of_strangers(site, shop) -> None:
    listed = shop.call("stages", env={**os.environ, "PYTHONPATH": str(site), "COLUMNS": "200"})
    assert listed.code == 0, listed.err
    told = re.sub(r"\n {17}", " ", listed.out)
    for kind in KINDS:
        line = next(each for each in told.splitlines() if each.startswith(f"  {kind} "))
        assert f"(stranger-{kind} 2.5)" in line
    assert "broken" not in told


def test_a_job_uses_medium_stage_and_form_of_three_distributions(site, shop, tmp_path) -> None:
    (tmp_path / "receipts.toml").write_text(LAYOUT, encoding="utf-8")
    stages = [
        {"kind": "decode", "medium": {"kind": "json-cards"}},
        {"kind": "validate", "layout": "receipts"},
        {"kind": "excess", "field": "amount", "limit": "40.00"},
        {"kind": "emit", "output": [{"file": "cards.tsv", "form": "tabs"}]},
        {"kind": "code-book"},
    ]
    job = shop.job(tmp_path, stages)
    deck = tmp_path / "cards.json"
    deck.write_bytes(TestJsonCards().deck())
    said = subprocess.run(  # noqa: S603 # our own command
        [*shop.command, "run", str(job), str(deck), "--out", str(tmp_path / "run")],
        capture_output=True,
        check=False,
        text=True,
        env={**os.environ, "PYTHONPATH": str(site)},
        timeout=600,
    )
    assert said.returncode == 0, said.stderr
    rows = (tmp_path / "run" / "out" / "cards.tsv").read_text("utf-8").splitlines()
    assert len(rows) == 26
    manifest = json.loads((tmp_path / "run" / "manifest.json").read_text("utf-8"))
    versions = manifest["versions"]
    assert versions["stage excess"] == "stranger-excess 2.5"
    assert versions["stage code-book"] == "stranger-code-book 2.5"
    assert versions["form tabs"] == "stranger-tabs 2.5"
    names = {file["name"] for file in manifest["files"]}
    assert {"out/excess.csv", "out/excess.csv.schema.json", "out/cards.tsv"} <= names

"""No loop over cards: the steps that Python itself takes must not grow with the cards of a tray."""

from __future__ import annotations

import re
import shutil
import sys
from collections import Counter
from importlib.metadata import entry_points
from pathlib import Path
from types import FrameType
from typing import Any, Self

import pytest

from deckwright.engine.run import run_job

FEW, MANY = 600, 1_800
"""Cards of the two decks; each makes one tray of one task, and more than any page shows."""

A_CARD = 0.5
"""Steps that a card more may cost, for what is done once for a block; a loop takes more."""

LAYOUT = """
[[field]]
name = "item"
columns = "1-5"
kind = "digits"
[[field]]
name = "amount"
columns = "6-11"
kind = "decimal"
decimals = 2
sign = "overpunch-right"
[[field]]
name = "day"
columns = "12-17"
kind = "date"
form = "YYMMDD"
century = 19
[[field]]
name = "note"
columns = "20-30"
"""

NEW = """
[[field]]
name = "serial"
columns = "1-8"
kind = "digits"
[[field]]
name = "number"
columns = "9-16"
kind = "whole"
[[field]]
name = "item"
columns = "17-24"
kind = "digits"
[[field]]
name = "amount"
columns = "25-34"
kind = "decimal"
decimals = 3
sign = "leading"
[[field]]
name = "day"
columns = "35-42"
kind = "date"
form = "YYYYMMDD"
[[field]]
name = "note"
columns = "43-60"
[[field]]
name = "word"
columns = "61-64"
[[field]]
name = "doubled"
columns = "65-76"
kind = "decimal"
decimals = 2
sign = "leading"
[[field]]
name = "tag"
columns = "77-80"
"""

DECODE = 'kind = "decode"\nmedium = { kind = "text" }'
VALIDATE = 'kind = "validate"\nlayout = "old"'
SORT = 'kind = "sort"\nkeys = ["day", { field = "amount", order = "descending" }, "note"]'
MERGE = """kind = "merge"
master = "items"
match = { item = "item" }
take = { name = "name", rate = "rate" }"""
REPRODUCE = """kind = "reproduce"
layout = "new"
[stage.fields]
serial = { constant = 7 }
number = { sequence = { start = 1 } }
word = { constant = "W" }
doubled = { compute = "amount * 2" }
tag = { sequence = { prefix = "T", start = -9000 } }"""
NUMBERED = """kind = "reproduce"
layout = "new"
base = "card"
[stage.fields]
serial = { constant = 7 }
number = { constant = 7 }
word = { constant = "W" }
doubled = { constant = "1.50" }
tag = { constant = "T" }"""
CSV = 'kind = "emit"\noutput = [{ file = "cards.csv", form = "csv" }]'
SPREAD = 'kind = "spread"\ncolumns = "1-3"\npatterns = true'

CHAINS = {
    "validate": [VALIDATE],
    "sort": [VALIDATE, SORT],
    "merge": [VALIDATE, MERGE],
    "reproduce": [VALIDATE, REPRODUCE],
    "reproduce over the card": [VALIDATE, NUMBERED],
    "spread": [VALIDATE, SPREAD],
}
"""Stages between decode and emit, by what is tried."""

MEDIA = {
    "text": 'kind = "text", code = "cp1252", line_end = "crlf"',
    "blocks": 'kind = "blocks"',
    "column-binary": 'kind = "column-binary"',
    "packed": 'kind = "column-binary", bits = "packed"',
    "variable": 'kind = "records", form = "variable"',
    "variable-blocked": 'kind = "records", form = "variable-blocked", block_length = 8000',
    "fixed-blocked": 'kind = "records", form = "fixed-blocked", block_length = 8000',
    "decimal": 'kind = "records", form = "decimal", code = "ascii"',
    "spanned": 'kind = "records", form = "spanned", block_length = 20000',
    "columns written out": 'kind = "transcript"',
    "rows written out": 'kind = "transcript", form = "rows", between = "count"',
    "gzip": 'kind = "wrapped", wrapped = "gzip", inside = { kind = "text" }',
}
"""Media but pictures, each card of which is worth thousands of steps."""


def deck(cards: int) -> bytes:
    """Return cards as text lines: 50 items, amounts of both signs, days, notes of many lengths."""
    over = "{ABCDEFGHI}JKLMNOPQR"
    lines = (
        f"{n % 50:05}{n * 37 % 90_000:05}{over[n % 20]}{n % 28 + 1:06}"[:11]
        + f"75{n % 12 + 1:02}{n % 28 + 1:02}  {'note of a card'[: n % 11]}"
        for n in range(cards)
    )
    return "".join(f"{line:80}\n" for line in lines).encode("ascii")


FORMS = {
    "csv": "",
    "fixed": ', layout = "old"',
    "parquet": "",
    "sqlite": "",
    "json-lines": "",
}
"""Forms but decks, with their options; media tell of these."""


class Steps:
    """Counts, by place, lines and turns of loops of the program itself, and its calls into C."""

    def __init__(self) -> None:
        self.places: Counter[str] = Counter()

    def __enter__(self) -> Self:
        self._before = sys.gettrace(), sys.getprofile()
        sys.setprofile(self._profile)
        sys.settrace(self._trace)
        return self

    def __exit__(self, *exception: object) -> None:
        trace, profile = self._before
        sys.settrace(trace)
        sys.setprofile(profile)

    def _trace(self, frame: FrameType, event: str, _: object) -> Any:
        if not re.search(r"/deckwright(_plugins)?/", frame.f_code.co_filename):
            return None
        if event == "line":
            self._count(frame)
        return self._trace

    def _profile(self, frame: FrameType, event: str, _: object) -> None:
        if event in {"call", "c_call"}:
            self._count(frame)

    def _count(self, frame: FrameType) -> None:
        self.places[f"{frame.f_code.co_filename}:{frame.f_lineno}"] += 1


def must_not_grow(folder: Path, job: Path, few: bytes, many: bytes) -> None:
    """Check that a card more costs no step, and say where the steps are if it does."""
    for name, cards in (("few", few), ("many", many)):
        (folder / f"{name}.deck").write_bytes(cards)
    run_job(job, [folder / "few.deck"], folder / "first", workers=1)  # loads what is loaded once
    found = []
    for name in ("few", "many"):
        with Steps() as counted:
            run_job(job, [folder / f"{name}.deck"], folder / name, workers=1)
        found.append(counted.places)
    before, after = found
    grown = after - before
    most = "; ".join(f"{place} {times}" for place, times in grown.most_common(5))
    assert (after.total() - before.total()) / (MANY - FEW) < A_CARD, most


def written(folder: Path, stages: list[str]) -> Path:
    """Write a job of these stages, and what it names, into a folder; return its path."""
    folder.mkdir(exist_ok=True)
    (folder / "old.toml").write_text(LAYOUT, encoding="utf-8")
    (folder / "new.toml").write_text(NEW, encoding="utf-8")
    master = "".join(f"{item:05},Item {item},{item}.25\n" for item in range(50))
    (folder / "items.csv").write_text(f"item,name,rate\n{master}", encoding="utf-8")
    text = 'title = "Steps"\nrecord_log = false\nfiles = { items = "items.csv" }\n'
    job = folder / "job.toml"
    job.write_text(text + "".join(f"[[stage]]\n{s}\n" for s in stages), encoding="utf-8")
    return job


@pytest.mark.parametrize("chain", CHAINS)
def test_a_stage_takes_no_step_for_each_card(tmp_path: Path, chain: str) -> None:
    job = written(tmp_path / "job", [DECODE, *CHAINS[chain], CSV])
    must_not_grow(tmp_path, job, deck(FEW), deck(MANY))


@pytest.mark.parametrize("medium", MEDIA)
def test_a_medium_takes_no_step_for_each_card(tmp_path: Path, medium: str) -> None:
    told = MEDIA[medium]
    out = f'kind = "emit"\noutput = [{{ file = "all.deck", form = "deck", medium = {{ {told} }} }}]'
    writes = written(tmp_path / "job", [DECODE, VALIDATE, out])
    must_not_grow(tmp_path, writes, deck(FEW), deck(MANY))
    few, many = ((tmp_path / run / "out" / "all.deck").read_bytes() for run in ("few", "many"))
    for run in ("first", "few", "many"):
        shutil.rmtree(tmp_path / run)
    reads = written(tmp_path / "job", [f'kind = "decode"\nmedium = {{ {told} }}', VALIDATE, CSV])
    must_not_grow(tmp_path, reads, few, many)


@pytest.mark.parametrize("form", FORMS)
def test_a_form_takes_no_step_for_each_card(tmp_path: Path, form: str) -> None:
    told = f'file = "all.{form}", form = "{form}"{FORMS[form]}'
    job = written(tmp_path / "job", [DECODE, VALIDATE, f'kind = "emit"\noutput = [{{ {told} }}]'])
    must_not_grow(tmp_path, job, deck(FEW), deck(MANY))


def test_every_form_is_tried() -> None:
    own = {point.name for point in entry_points(group="deckwright.forms")}
    assert own == {*FORMS, "deck"}

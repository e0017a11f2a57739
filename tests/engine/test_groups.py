"""Groups that are larger than planned: parted, run alone, or refused before memory is used."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.engine.passes.groups import stretches
from deckwright.engine.planning.limits import Sizes, limits, memory_for_group
from deckwright.errors import GroupTooLargeError
from gathering import sizes_gathered
from sets import DEAR

COUNT = '''"""Counts the cards of each item; needs them together."""

import numpy as np

from deckwright import FieldShape, GroupStage, StageConfig, Values, hookimpl


class CountConfig(StageConfig):
    """Count the cards of an item."""


class CountStage(GroupStage[CountConfig]):
    kind = "count"

    def group_fields(self):
        return ["item"]

    def outline(self, known):
        return known.with_fields({"together": FieldShape("whole", 9)})

    def run(self, tray, book):
        keys = tray.values("item").data
        _, which, counts = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
        return tray.with_field("together", Values("whole", counts[which.reshape(-1)]))


@hookimpl
def deckwright_stages():
    return [CountStage]
'''


SORT = {"kind": "sort", "keys": ["item", "amount"]}


def grouped(shop, folder, *before, **tables):
    (folder / "count.py").write_text(COUNT, encoding="utf-8")
    middle = [*(before or [SORT]), {"kind": "count"}]
    return shop.job(folder, shop.chain(*middle), plugins=["count.py"], **tables)


ITEMS = st.lists(st.sampled_from([1, 2, 3, 4711, 4711, 4711, 9]), min_size=1, max_size=60)


@DEAR
@given(ITEMS, st.integers(1, 6), st.integers(1, 5))
def test_groups_stay_whole_and_no_more_is_held_than_must_be(
    shop, room, items, cards_a_task, cards_a_tray
) -> None:
    folder = room()
    deck = shop.deck(folder / "d.txt", [shop.receipt(item) for item in items])
    with sizes_gathered() as held:
        run = shop.run(grouped(shop, folder), deck, sizes=Sizes(cards_a_task, cards_a_tray)).folder
    rows = pl.read_csv(run / "out" / "cards.csv", infer_schema=False)
    counts = Counter(f"{item:05}" for item in items)
    assert rows["item"].to_list() == sorted(counts.elements())
    assert rows["together"].to_list() == [str(counts[item]) for item in sorted(counts.elements())]
    assert max(held) <= max(2 * cards_a_task, *counts.values(), cards_a_tray)


@pytest.mark.slow
@DEAR
@given(st.integers(10, 30), st.integers(1, 4))
def test_a_group_beyond_the_limit_is_refused_and_one_at_the_limit_is_not(
    shop, room, size, cards_a_task
) -> None:
    folder = room()
    cards = [shop.receipt(place % 5) for place in range(20)] + [shop.receipt(4711)] * size
    deck = shop.deck(folder / "d.txt", cards)
    job = grouped(shop, folder)
    with pytest.raises(GroupTooLargeError) as refused:
        shop.run(job, deck, sizes=Sizes(cards_a_task, 3, cards_a_group=size - 1))
    assert str(refused.value).startswith(
        f"stage 4 (count): the group item 04711 has {size} cards; with memory = '512 MiB' the job "
    )
    assert not (folder / "run").exists()
    run = shop.run(job, deck, sizes=Sizes(cards_a_task, 3, cards_a_group=size))
    assert run.delivered == len(cards)


def test_large_groups_give_the_same_files_in_one_process_and_in_two(shop, tmp_path) -> None:
    items = [4711] * 30 + list(range(40)) + [9999] * 25
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(item) for item in items])
    job, sizes = grouped(shop, tmp_path), Sizes(4, 3)
    one = shop.run(job, deck, sizes=sizes)
    two = shop.run(job, deck, sizes=sizes, workers=2, out=tmp_path / "two")
    assert shop.sums(one.folder) == shop.sums(two.folder)
    whole = shop.run(job, deck, out=tmp_path / "whole")
    assert shop.sums(whole.folder / "out") == shop.sums(one.folder / "out")


MEASURE = """
import os, re, sys
os.environ["POLARS_MAX_THREADS"] = "1"  # as the command has it
from pathlib import Path
from deckwright.engine.run import run_job
from deckwright.errors import GroupTooLargeError
try:
    run_job(Path(sys.argv[1]), [Path(sys.argv[2])], Path(sys.argv[3]), workers=1)
except GroupTooLargeError as error:
    print(error)
# of this process alone: its resource usage would count what it was forked from
print(int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) // 1024)
"""


AS_THEY_LIE = {"kind": "validate", "layout": "receipts"}


@pytest.mark.parametrize(
    ("before", "label", "more"),
    [
        (SORT, "stage 4 (count)", "sort on more fields and group by them"),
        (AS_THEY_LIE, "stage 4 (count)", "group by more fields"),
    ],
    ids=["sorted", "as they lie"],
)
def test_a_group_larger_than_the_memory_is_refused_before_it_takes_any(
    before, label, more, shop, tmp_path
) -> None:
    # held at once, these cards take some 270 MiB, the process itself included
    job = grouped(shop, tmp_path, before, memory="256 MiB")
    card = f"{shop.receipt(4711):<80}\n".encode()
    deck = shop.deck(tmp_path / "d.txt", card * 290_000)
    done = subprocess.run(  # noqa: S603 # our own code
        [sys.executable, "-c", MEASURE, str(job), str(deck), str(tmp_path / "run")],
        capture_output=True, check=True, text=True, timeout=300,
    )  # fmt: skip
    said, peak = done.stdout.splitlines()
    assert said == (
        f"{label}: the group item 04711 has 290,000 cards; with memory = '256 MiB' the job "
        f"holds some 170,000 cards of one group; set memory = '384 MiB', or {more}; nothing was "
        "delivered"
    )
    assert int(peak) < 200


@given(st.integers(1, 10**8), st.integers(1, 2000))
def test_the_memory_that_is_named_holds_the_group(cards, width) -> None:
    number = int(memory_for_group(cards, width).removesuffix(" MiB")) * 2**20
    assert limits(number, width, cards, 1).cards_a_group >= cards - 1


@given(st.integers(0, 30), st.sets(st.integers(0, 29)))
def test_stretches_are_all_tasks_in_their_order(count, alone) -> None:
    alone = {index for index in alone if index < count}
    found = stretches(count, alone)
    told = [(index, lonely) for first, after, lonely in found for index in range(first, after)]
    assert told == [(index, index in alone) for index in range(count)]

"""Stages of other shapes than those of the program: groups, and stages that add cards."""

from __future__ import annotations

import json
from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from sets import DEAR
from strategies import SIZES

GROUPS = '''"""Counts the cards of each item; needs them together."""

from __future__ import annotations

import numpy as np

from deckwright import Book, GroupStage, Known, StageConfig, Tray, Values, FieldShape, hookimpl


class CountConfig(StageConfig):
    """Count the cards of a group."""

    field: str = "item"
    """The field whose equal values make a group."""


class CountStage(GroupStage[CountConfig]):
    kind = "count"

    def group_fields(self) -> list[str]:
        return [self.config.field]

    def outline(self, known: Known) -> Known:
        known.need(self.config.field, "field")
        return known.with_fields({"together": FieldShape("whole", 5)})

    def run(self, tray: Tray, book: Book) -> Tray:
        keys = tray.values(self.config.field).data
        _, which, counts = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
        return tray.with_field("together", Values("whole", counts[which.reshape(-1)]))


@hookimpl
def deckwright_stages():
    return [CountStage]
'''

TRAILERS = '''"""Adds a card after every card whose note asks for one."""

from __future__ import annotations

import dataclasses

import numpy as np

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class TrailerConfig(StageConfig):
    """Add cards."""

    where: str = "end"
    """after: right after its card; end: at the end of the tray."""


class TrailerStage(TrayStage[TrailerConfig]):
    kind = "trailer"

    def run(self, tray: Tray, book: Book) -> Tray:
        asked = np.flatnonzero((tray["note"].fill_null("") == "more").to_numpy())
        numbers = book.add_cards(len(asked))
        places = np.concatenate([np.arange(len(tray)), asked])
        order = np.arange(len(places))
        if self.config.where == "after":
            order = np.argsort(places, kind="stable")
        fresh = np.concatenate([np.zeros(len(tray), bool), np.ones(len(asked), bool)])
        out = tray.take(places[order])
        text = out.text.copy()
        text[fresh[order], 11:30] = np.frombuffer(b"added".ljust(19), np.uint8)
        cards = np.concatenate([tray.cards, numbers])[order]
        return dataclasses.replace(out.with_text(text, tray.readings[-1].layout), cards=cards)


@hookimpl
def deckwright_stages():
    return [TrailerStage]
'''


@DEAR
@given(st.lists(st.integers(0, 4), min_size=1, max_size=50), SIZES)
def test_no_tray_of_a_group_stage_splits_a_group(shop, room, items, sizes) -> None:
    folder = room()
    (folder / "count.py").write_text(GROUPS, encoding="utf-8")
    stages = shop.chain({"kind": "sort", "keys": ["item", "amount"]}, {"kind": "count"})
    job = shop.job(folder, stages, plugins=["count.py"])
    cards = [shop.receipt(item, f"{place % 3:05}{{") for place, item in enumerate(items)]
    run = shop.run(job, shop.deck(folder / "d.txt", cards), sizes=sizes).folder
    rows = (run / "out" / "cards.csv").read_text("utf-8").splitlines()
    heading = rows[0].split(",")
    place, item = heading.index("together"), heading.index("item")
    found = [(row.split(",")[item], int(row.split(",")[place])) for row in rows[1:]]
    assert found == [(f"{i:05}", items.count(i)) for i in sorted(items)]
    assert [key for key, _ in groupby(found)] == sorted(set(found))


@DEAR
@given(st.lists(st.integers(0, 3), min_size=1, max_size=30), SIZES)
def test_groups_stay_whole_for_a_later_stage_of_the_same_order(shop, room, items, sizes) -> None:
    folder = room()
    (folder / "count.py").write_text(GROUPS, encoding="utf-8")
    numbered = """
[[field]]
name = "serial"
columns = "75-80"
kind = "digits"
"""
    stages = shop.chain(
        {"kind": "sort", "keys": ["item", "amount"]},
        {
            "kind": "reproduce",
            "layout": "numbered",
            "base": "card",
            "fields": {"serial": {"sequence": {}}},
        },
        {"kind": "count"},
    )
    layouts = {"receipts": shop.receipts, "numbered": numbered}
    job = shop.job(folder, stages, layouts, plugins=["count.py"])
    cards = [shop.receipt(item, f"{place % 3:05}{{") for place, item in enumerate(items)]
    run = shop.run(job, shop.deck(folder / "d.txt", cards), sizes=sizes).folder
    rows = (run / "out" / "cards.csv").read_text("utf-8").splitlines()
    together = rows[0].split(",").index("together")
    assert [int(row.split(",")[together]) for row in rows[1:]] == [
        items.count(item) for item in sorted(items)
    ]


@DEAR
@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1)), min_size=1, max_size=30), SIZES)
def test_stages_of_wider_and_narrower_groups_both_get_whole_ones(shop, room, pairs, sizes) -> None:
    folder = room()
    (folder / "count.py").write_text(GROUPS, encoding="utf-8")
    (folder / "pairs.py").write_text(
        GROUPS.replace('"count"', '"pairs"')
        .replace("[self.config.field]", '["item", "amount"]')
        .replace('"together"', '"alike"')
        .replace("keys = tray.values(self.config.field).data",
                 'keys = np.column_stack([tray.values("item").data, tray.values("amount").data])'),
        encoding="utf-8",
    )  # fmt: skip
    stages = shop.chain(
        {"kind": "sort", "keys": ["item", "amount", "note"]}, {"kind": "pairs"}, {"kind": "count"}
    )
    job = shop.job(folder, stages, plugins=["count.py", "pairs.py"])
    cards = [shop.receipt(i, f"{a:05}{{", "abc"[n % 3]) for n, (i, a) in enumerate(pairs)]
    run = shop.run(job, shop.deck(folder / "d.txt", cards), sizes=sizes).folder
    rows = (run / "out" / "cards.csv").read_text("utf-8").splitlines()
    heading = rows[0].split(",")
    places = heading.index("alike"), heading.index("together")
    found = [tuple(int(row.split(",")[place]) for place in places) for row in rows[1:]]
    items = [item for item, _ in pairs]
    assert found == [(pairs.count(pair), items.count(pair[0])) for pair in sorted(pairs)]


@pytest.mark.parametrize(
    "before",
    [
        [{"kind": "sort", "keys": ["amount"]}],
        [{"kind": "sort", "keys": ["amount", "item"]}],
        [{"kind": "sort", "keys": ["item"]}, {"kind": "sort", "keys": ["amount"]}],
    ],
)
def test_a_group_stage_after_a_sort_on_other_fields_is_refused(before, shop, tmp_path) -> None:
    (tmp_path / "count.py").write_text(GROUPS, encoding="utf-8")
    job = shop.job(tmp_path, shop.chain(*before, {"kind": "count"}), plugins=["count.py"])
    said = shop.say("check", job)
    assert said.code == 2
    assert f"stage {3 + len(before)} (count): needs the cards sorted on item first" in said.err
    assert f"{job}:" in said.err


CARDS = st.lists(
    st.tuples(st.integers(0, 4), st.sampled_from(["", "more"])), min_size=1, max_size=30
)


def adding_run(shop, folder, cards, where, sizes, *after):
    (folder / "trailer.py").write_text(TRAILERS, encoding="utf-8")
    stages = shop.chain({"kind": "trailer", "where": where}, *after)
    job = shop.job(folder, stages, plugins=["trailer.py"])
    deck = shop.deck(folder / "d.txt", [shop.receipt(i, note=note) for i, note in cards])
    return shop.run(job, deck, out=folder / f"run{len(list(folder.iterdir()))}", sizes=sizes).folder


@DEAR
@given(CARDS, SIZES)
def test_added_cards_are_counted_delivered_and_led_back_to(shop, room, cards, sizes) -> None:
    run = adding_run(shop, room(), cards, "after", sizes)
    wanted = sum(note == "more" for _, note in cards)
    equation = shop.control(run)["equation"]
    assert equation["added"] == wanted
    assert equation["out"] == len(cards) + wanted
    assert equation["holds"]
    lines = (run / "out" / "cards.txt").read_bytes().decode().splitlines()
    expected = []
    for item, note in cards:
        expected.append(shop.receipt(item, note=note))
        if note:
            expected.append(shop.receipt(item, note="added"))
    assert [line.rstrip() for line in lines] == expected
    numbers = csv_cards(run)
    assert len(set(numbers)) == len(numbers)
    assert [n for n in numbers if n <= len(cards)] == list(range(1, len(cards) + 1))
    assert Journal(run).output_cards("cards.txt").tolist() == numbers


@DEAR
@given(CARDS, SIZES)
def test_added_cards_are_sorted_among_the_others(shop, room, cards, sizes) -> None:
    folder = room()
    run = adding_run(shop, folder, cards, "end", sizes, {"kind": "sort", "keys": ["item", "note"]})
    every = [(item, note) for item, note in cards]
    every += [(item, "added") for item, note in cards if note]
    lines = (run / "out" / "cards.txt").read_bytes().decode().splitlines()
    # a blank note is missing, and missing comes last
    order = sorted(every, key=lambda card: (card[0], not card[1], card[1]))
    assert [line.rstrip() for line in lines] == [shop.receipt(i, note=n) for i, n in order]
    numbers = csv_cards(run)
    assert Journal(run).output_cards("cards.csv").tolist() == numbers
    moved = [e for e in events(Journal(run), stage=4) if e["event"] == "card_moved"]
    assert sorted(e["place"] for e in moved) == list(range(1, len(every) + 1))
    assert [e["card"] for e in sorted(moved, key=lambda e: e["place"])] == numbers


def csv_cards(run) -> list[int]:
    rows = (run / "out" / "cards.csv").read_text("utf-8").splitlines()[1:]
    return [int(row.partition(",")[0]) for row in rows]


def test_the_history_of_an_added_card_can_be_told(shop, tmp_path) -> None:
    run = adding_run(shop, tmp_path, [(1, "more"), (2, "")], "after", shop.small)
    added = csv_cards(run)[1]
    said = shop.say("trace", run, added)
    assert said.code == 0, said.err
    assert str(added) in said.out
    assert "added" in said.out
    said = shop.say("trace", run, "--output", "cards.csv", "--line", 3)
    assert said.code == 0, said.err
    assert said.out.startswith(f"card {added}")
    told = [json.loads(line) for line in shop.say("journal", run).out.splitlines()]
    assert added in {event["card"] for event in told}


def test_workers_number_added_cards_alike(shop, tmp_path) -> None:
    cards = [(place % 5, "more" if place % 3 else "") for place in range(40)]
    (tmp_path / "trailer.py").write_text(TRAILERS, encoding="utf-8")
    stages = shop.chain({"kind": "trailer"}, {"kind": "sort", "keys": ["item"]})
    job = shop.job(tmp_path, stages, plugins=["trailer.py"])
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(i, note=note) for i, note in cards])
    one = shop.run(job, deck, out=tmp_path / "one", sizes=shop.small).folder
    two = shop.run(job, deck, out=tmp_path / "two", sizes=shop.small, workers=2).folder
    assert shop.sums(one) == shop.sums(two)

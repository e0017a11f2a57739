"""Groups in the order the cards have: never split, never twice, whoever cuts the cards."""

from __future__ import annotations

from collections import Counter
from itertools import groupby

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from deckwright.cards.codetable import ASCII_LATIN
from deckwright.engine.passes import runs
from deckwright.engine.planning.limits import Sizes
from deckwright.errors import GroupReturnsError, GroupTooLargeError
from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from deckwright.testing import Backwards, told
from engine.scan_plugins import COUNT, ORDINAL
from gathering import sizes_gathered
from sets import DEAR
from strategies import SIZES

GROUPS = st.lists(
    st.tuples(st.integers(0, 99), st.lists(st.booleans(), min_size=1, max_size=12)),
    min_size=1,
    max_size=12,
    unique_by=lambda group: group[0],
).filter(lambda groups: not all(all(bad) for _, bad in groups))
"""Groups in their order: an item, and of each card whether an earlier stage returns it."""


def grouped(shop, folder, texts, *stages, sizes=None, decks=1, **given):
    """Run cards through stages after validate, then count groups; return the run folder."""
    for name, text in (("count.py", COUNT), ("batch.py", ORDINAL)):
        (folder / name).write_text(text, encoding="utf-8")
    job = shop.job(folder, shop.chain(*stages), plugins=["count.py", "batch.py"])
    cut = -(-len(texts) // decks)
    found = [
        shop.deck(folder / f"{'ABC'[at]}.txt", texts[at * cut : (at + 1) * cut])
        for at in range(-(-len(texts) // cut))  # none is empty
    ]
    out = folder / f"run{len(list(folder.iterdir()))}"
    return shop.run(job, *found, out=out, sizes=sizes, **given).folder


def cards_of(shop, groups) -> list[str]:
    return [
        shop.receipt(item, "0010A-" if bad else "00100{") for item, group in groups for bad in group
    ]


def rows(run) -> list[dict[str, str]]:
    return pl.read_csv(run / "out" / "cards.csv", infer_schema=False).to_dicts()


ITEM = {"kind": "count", "fields": ["item"]}


@DEAR
@given(GROUPS, SIZES)
def test_groups_that_lie_together_are_never_split(shop, room, groups, sizes) -> None:
    folder = room()
    run = grouped(shop, folder, cards_of(shop, groups), ITEM, sizes=sizes)
    wanted = [
        (f"{item:05}", str(bad.count(False)))
        for item, bad in groups
        for _ in range(bad.count(False))
    ]
    assert [(row["item"], row["together"]) for row in rows(run)] == wanted
    assert told(run) == told(grouped(shop, folder, cards_of(shop, groups), ITEM))


@DEAR
@given(st.lists(st.integers(0, 5), min_size=1, max_size=40), SIZES, st.integers(1, 3))
@example([0, 1, 0, 1], Sizes(1, 1), 3)
@example([0, 1, 0], Sizes(1, 1), 2)
def test_a_group_that_comes_again_is_refused_by_card(shop, room, items, sizes, decks) -> None:
    folder = room()
    texts = [shop.receipt(item) for item in items]
    seen: list[int] = []
    again = None
    for number, item in enumerate(items, 1):
        if item in seen[:-1] and item != seen[-1] and again is None:
            again = number
        if item not in seen[-1:]:
            seen.append(item)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runs, "RUNS_AT_ONCE", 3)
        if again is None:
            grouped(shop, folder, texts, ITEM, sizes=sizes, decks=decks)
            return
        with pytest.raises(GroupReturnsError) as refused:
            grouped(shop, folder, texts, ITEM, sizes=sizes, decks=decks)
    cut = -(-len(items) // decks)
    place = f"card {(again - 1) % cut + 1} of {'ABC'[(again - 1) // cut]}.txt (card {again} of the "
    named = f"card {again}" if cut >= len(items) else place
    said = f"stage 3 (count): the group item {items[again - 1]:05} comes again at {named}"
    assert str(refused.value).startswith(said)
    assert not list(folder.glob("run*"))


@DEAR
@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(["head", "", "x"])), min_size=1,
                max_size=40), SIZES)  # fmt: skip
def test_groups_of_what_a_scan_gives_after_a_sort(shop, room, cards, sizes) -> None:
    # batches begin at cards with the note `head`, in the order of the sort; then items again
    folder = room()
    texts = [shop.receipt(item, note=note) for item, note in cards]
    chain = [
        {"kind": "sort", "keys": ["item"]},
        {"kind": "batch"},
        {"kind": "count", "fields": ["batch"], "name": "in_batch"},
        {"kind": "count", "fields": ["item"], "name": "of_item"},
    ]
    run = grouped(shop, folder, texts, *chain, sizes=sizes)
    batch, batches = 0, []
    ordered = sorted(cards, key=lambda card: card[0])
    for _, note in ordered:
        batch += note == "head"
        batches.append(batch)
    sizes_of, items = Counter(batches), Counter(item for item, _ in cards)
    wanted = [
        (str(number), str(sizes_of[number]), str(items[item]))
        for number, (item, _) in zip(batches, ordered, strict=True)
    ]
    assert [(r["batch"], r["in_batch"], r["of_item"]) for r in rows(run)] == wanted


def some_groups(shop, count: int = 12) -> list[str]:
    texts = []
    for item in range(count):
        texts += [
            shop.receipt(item * 7, "0010A-" if place % 5 == 4 else "00100{")
            for place in range(1 + item * item % 11)
        ]
    return texts


def test_whoever_runs_the_tasks_all_files_are_the_same(shop, tmp_path) -> None:
    texts, sizes = some_groups(shop), Sizes(5, 2)
    one = grouped(shop, tmp_path, texts, ITEM, sizes=sizes)
    two = grouped(shop, tmp_path, texts, ITEM, sizes=sizes, workers=2)
    back = grouped(shop, tmp_path, texts, ITEM, sizes=sizes, executor=Backwards())
    assert shop.sums(one) == shop.sums(two) == shop.sums(back)


@pytest.mark.parametrize("sizes", [Sizes(5, 2), Sizes(1, 1), Sizes(3, 3), Sizes(100, 4)])
def test_the_journal_follows_cards_that_move_on_with_their_group(sizes, shop, tmp_path) -> None:
    texts = some_groups(shop)
    run = grouped(shop, tmp_path, texts, ITEM, sizes=sizes)
    journal = Journal(run)
    delivered = {int(row["card"]): row["together"] for row in rows(run)}
    for number in range(1, len(texts) + 1):
        found = [e for e in events(journal, card=number, stage=3) if e["event"] == "card_changed"]
        made = [event["fields"]["together"]["after"] for event in found]
        assert [str(each) for each in made] == ([delivered[number]] if number in delivered else [])
    text = np.array([list(f"{card:<80}".encode()) for card in texts], np.uint8)
    left, images = replay(journal, text, ASCII_LATIN)
    assert left.tolist() == list(delivered) == journal.output_cards("cards.csv").tolist()
    lines = (run / "out" / "cards.txt").read_bytes().splitlines()
    assert [line.rstrip() for line in lines] == [image.tobytes().rstrip() for image in images]
    every = [e for e in events(journal, stage=3) if e["event"] == "card_changed"]
    assert [e["card"] for e in every] == list(delivered)
    assert not [e for e in events(journal) if e["event"] == "card_moved"]


@pytest.mark.slow
@DEAR
@given(st.integers(9, 30), st.integers(1, 4))
def test_a_run_beyond_the_limit_is_refused_and_one_at_the_limit_is_not(
    shop, room, size, cards_a_task
) -> None:
    folder = room()
    texts = [shop.receipt(place) for place in range(9)] + [shop.receipt(4711)] * size
    texts += [shop.receipt(item) for item in range(5000, 5009)]
    with pytest.raises(GroupTooLargeError) as refused:
        grouped(shop, folder, texts, ITEM, sizes=Sizes(cards_a_task, 3, cards_a_group=size - 1))
    said = str(refused.value)
    assert said.startswith(f"stage 3 (count): the group item 04711 has {size} cards; with memory")
    assert said.endswith("or group by more fields; nothing was delivered")
    limit = Sizes(cards_a_task, 3, cards_a_group=size)
    assert len(rows(grouped(shop, folder, texts, ITEM, sizes=limit))) == len(texts)


def test_cards_that_a_stage_adds_stay_with_their_group(shop, tmp_path) -> None:
    add = """
from dataclasses import replace

import numpy as np

from deckwright import StageConfig, TrayStage, hookimpl


class Config(StageConfig):
    \"\"\"No options.\"\"\"


class Twice(TrayStage[Config]):
    kind = "twice"

    def run(self, tray, book):
        rows = np.repeat(np.arange(len(tray)), 2)
        cards = tray.cards[rows]
        cards[1::2] = book.add_cards(len(tray))
        return replace(tray.take(rows), cards=cards)


@hookimpl
def deckwright_stages():
    return [Twice]
"""
    (tmp_path / "twice.py").write_text(add, encoding="utf-8")
    (tmp_path / "count.py").write_text(COUNT, encoding="utf-8")
    job = shop.job(tmp_path, shop.chain({"kind": "twice"}, ITEM), plugins=["count.py", "twice.py"])
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(place // 3) for place in range(12)])
    run = shop.run(job, deck, sizes=Sizes(4, 2)).folder
    assert [row["together"] for row in rows(run)] == ["6"] * 24
    numbers = [int(row["card"]) for row in rows(run)]
    assert Journal(run).output_cards("cards.csv").tolist() == numbers
    assert shop.say("trace", run, numbers[-1]).code == 0


def test_the_memory_of_a_group_that_is_left_is_given_back(shop, tmp_path) -> None:
    texts = [shop.receipt(place // 4) for place in range(400)]
    with sizes_gathered() as held:
        grouped(shop, tmp_path, texts, ITEM, sizes=Sizes(100, 10))
    assert max(held) <= 2 * 10
    assert [len(list(cards)) for _, cards in groupby(texts)] == [4] * 100

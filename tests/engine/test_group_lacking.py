"""What a group lacks: cards of it that earlier stages returned, counted and added up."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.engine.planning.limits import Sizes
from deckwright.testing import Backwards, told
from engine.scan_plugins import LACK, ORDINAL
from sets import DEAR
from strategies import SIZES

STATES = st.sampled_from(["good", "good", "amount", "item", "note"])
"""Of a card: good, or what is wrong with it. A bad item does not say of which group it is."""
GROUPS = st.lists(
    st.tuples(st.integers(0, 99), st.lists(STATES, min_size=1, max_size=8)),
    min_size=1,
    max_size=8,
    unique_by=lambda group: group[0],
).filter(lambda groups: any("good" in states for _, states in groups))


GIVE = {"kind": "give"}


def run_of(shop, folder, groups, *middle, sizes=None, fields=("item",), after=(), **given):
    """Run cards; every card has the amount of its number, in hundredths."""
    (folder / "lack.py").write_text(LACK, encoding="utf-8")
    (folder / "batch.py").write_text(ORDINAL, encoding="utf-8")
    middle = middle if GIVE in middle else [GIVE, *middle]
    chain = [*middle, {"kind": "lack", "fields": list(fields)}, *after]
    job = shop.job(folder, shop.chain(*chain), plugins=["lack.py", "batch.py"])
    texts = []
    for item, states in groups:
        for state in states:
            number = len(texts) + 1
            amount = f"{number // 10:05}" + "{ABCDEFGHI"[number % 10]
            texts.append(
                shop.receipt(
                    "1X345" if state == "item" else item,
                    "0010A-" if state == "amount" else amount,
                    "bad" if state == "note" else "",
                )
            )
    deck = shop.deck(folder / "d.txt", texts)
    out = folder / f"run{len(list(folder.iterdir()))}"
    return shop.run(job, deck, out=out, sizes=sizes, **given).folder


def found_in(run) -> dict[str, tuple[int, Decimal]]:
    rows = pl.read_csv(run / "out" / "cards.csv", infer_schema=False).to_dicts()
    lacks = defaultdict(set)
    for row in rows:
        lacks[row["item"]].add((int(row["lacks"]), Decimal(row["lacks_sum"])))
    assert all(len(each) == 1 for each in lacks.values())
    return {item: each.pop() for item, each in lacks.items()}


def expected(groups, *, in_order: bool) -> dict[str, tuple[int, Decimal]]:
    """Return what each group lacks; in_order: a card without its item falls to the card before."""
    good = [(item, state) for item, states in groups for state in states]
    counts = {item: 0 for item, states in groups if "good" in states}
    sums = dict.fromkeys(counts, 0)
    there = [item for item, state in good if state == "good"]
    before = there[0]
    for number, (item, state) in enumerate(good, 1):
        if state == "good":
            before = item
            continue
        if state == "item" and not in_order:
            continue
        mine = before if state == "item" else item
        if mine in counts:
            counts[mine] += 1
            sums[mine] += 0 if state == "amount" else number
    return {f"{item:05}": (counts[item], Decimal(sums[item]) / 100) for item in counts}


@DEAR
@given(GROUPS, SIZES)
def test_a_group_is_told_what_it_lacks(shop, room, groups, sizes) -> None:
    folder = room()
    run = run_of(shop, folder, groups, sizes=sizes)
    assert found_in(run) == expected(groups, in_order=True)
    assert told(run) == told(run_of(shop, folder, groups))


@DEAR
@given(GROUPS, SIZES, st.booleans())
def test_a_sorted_group_is_told_what_it_lacks_by_its_key_alone(shop, room, groups, sizes, within):
    # stages that return cards between the sort and the group stage count as those before do
    folder, sort = room(), {"kind": "sort", "keys": ["item"]}
    middle = [sort, GIVE] if within else [sort]
    run = run_of(shop, folder, groups, *middle, sizes=sizes)
    assert found_in(run) == expected(groups, in_order=False)


def test_groups_by_what_a_scan_gave_are_told_by_place(shop, tmp_path) -> None:
    # no returned card says of which batch it is: it falls to the batch of the card before
    states = ["amount", "good", "amount", "good", "note", "good", "amount"]
    groups = [(place, [state]) for place, state in enumerate(states)]
    run = run_of(shop, tmp_path, groups, {"kind": "batch"}, fields=["batch"], sizes=Sizes(2, 1))
    assert found_in(run) == dict.fromkeys(["00001", "00003", "00005"], (4, Decimal("0.05")))


SERIAL = """
[[field]]
name = "serial"
columns = "75-80"
kind = "digits"
"""
BOX = """
[[field]]
name = "box"
columns = "1-5"
kind = "digits"
[[field]]
name = "few"
columns = "12-13"
kind = "whole"
high = 50
"""


def test_the_layout_by_which_a_card_is_returned_tells_its_group(shop, tmp_path) -> None:
    # boxes are read from cards that were punched anew and sorted: only their key can tell
    chain = [
        {"kind": "reproduce", "layout": "serial", "base": "card",
         "fields": {"serial": {"constant": "7"}}},
        {"kind": "sort", "keys": ["item"]},
        {"kind": "validate", "layout": "box", "most_returned": "100 %"},
        {"kind": "lack", "fields": ["box"]},
    ]  # fmt: skip
    text = LACK.replace('["amount"]', '["few"]').replace("returned_amount", "returned_few")
    (tmp_path / "lack.py").write_text(text, encoding="utf-8")
    layouts = {"receipts": shop.receipts, "serial": SERIAL, "box": BOX}
    job = shop.job(tmp_path, shop.chain(*chain), layouts, plugins=["lack.py"])
    texts = [shop.receipt(place % 3, note=f"{place * 4:02}") for place in range(20)]
    run = shop.run(job, shop.deck(tmp_path / "d.txt", texts), sizes=Sizes(4, 2)).folder
    rows = pl.read_csv(run / "out" / "cards.csv", infer_schema=False)
    found = {(row["box"], row["lacks"], row["lacks_sum"]) for row in rows.to_dicts()}
    lost = {box: [p * 4 for p in range(20) if p % 3 == box and p * 4 > 50] for box in range(3)}
    wanted = {(f"{box:05}", str(len(few)), str(sum(few))) for box, few in lost.items()}
    assert {(box, lacks, f"{float(total):g}") for box, lacks, total in found} == wanted


def test_cards_can_be_sorted_by_what_their_group_lacks(shop, tmp_path) -> None:
    groups = [(place, ["good"] + ["note"] * (place * 5 % 7)) for place in range(20)]
    sort = {"kind": "sort", "keys": ["lacks", "item"]}
    run = run_of(shop, tmp_path, groups, after=[sort], sizes=Sizes(5, 2))
    rows = pl.read_csv(run / "out" / "cards.csv", infer_schema=False)
    wanted = sorted((place * 5 % 7, place) for place in range(20))
    assert rows["lacks"].cast(int).to_list() == [lacks for lacks, _ in wanted]
    assert rows["item"].cast(int).to_list() == [place for _, place in wanted]


@pytest.mark.slow
def test_whoever_runs_the_tasks_a_group_is_told_the_same(shop, tmp_path) -> None:
    states = ["good", "amount", "note", "item", "good"]
    groups = [(place, states[place % 3 :]) for place in range(12)]
    for sort in ([], [{"kind": "sort", "keys": ["item"]}]):
        one = run_of(shop, tmp_path, groups, *sort, sizes=Sizes(5, 2))
        two = run_of(shop, tmp_path, groups, *sort, sizes=Sizes(5, 2), workers=2)
        back = run_of(shop, tmp_path, groups, *sort, sizes=Sizes(5, 2), executor=Backwards())
        assert shop.sums(one) == shop.sums(two) == shop.sums(back)


@pytest.mark.parametrize(
    ("field", "said"),
    [("note", "field 'note' of kind text has no sum"), ("amont", "did you mean 'amount'?")],
)
def test_a_sum_that_cannot_be_is_refused_before_the_run(field, said, shop, tmp_path) -> None:
    (tmp_path / "lack.py").write_text(LACK.replace('["amount"]', f'["{field}"]'), encoding="utf-8")
    job = shop.job(tmp_path, shop.chain({"kind": "lack"}), plugins=["lack.py"])
    answer = shop.say("check", job)
    assert answer.code == 2
    assert "stage 3 (lack): " in answer.err
    assert said in answer.err

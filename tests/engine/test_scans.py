"""Scans: what went before a card is known however the cards are cut, and whoever runs the tasks."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright import LastCards, Tray, Values
from deckwright.cards.codes import load_code
from deckwright.cards.codetable import ASCII_LATIN
from deckwright.engine.passes.scans import same_state
from deckwright.engine.planning.limits import Sizes
from deckwright.engine.planning.plan import load_plan
from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from deckwright.journal.replay import replay
from deckwright.testing import Backwards, told
from engine.scan_plugins import ORDINAL, WINDOW, faulty
from gathering import sizes_gathered
from sets import DEAR
from strategies import SIZES

NOTES = ["", "head", "north", "south"]


@dataclass(frozen=True)
class Card:
    """A card of a test: its item, its note, and whether an earlier stage returns it."""

    item: int
    note: str
    bad: bool


CARDS = st.lists(
    st.builds(Card, st.integers(0, 4), st.sampled_from(NOTES), st.booleans()), max_size=40
)


def scanned(shop, folder, cards, *stages, sizes=None, **given):
    """Run cards through stages after validate; return the run folder."""
    for name, text in (("window.py", WINDOW), ("batch.py", ORDINAL)):
        (folder / name).write_text(text, encoding="utf-8")
    job = shop.job(folder, shop.chain(*stages), plugins=["window.py", "batch.py"])
    texts = [shop.receipt(c.item, "0010A-" if c.bad else "00100{", c.note) for c in cards]
    deck = shop.deck(folder / "d.txt", texts)
    out = folder / f"run{len(list(folder.iterdir()))}"
    return shop.run(job, deck, out=out, sizes=sizes, **given).folder


def rows(run) -> list[dict[str, str]]:
    return pl.read_csv(run / "out" / "cards.csv", infer_schema=False, null_values=[]).to_dicts()


def windows(cards: list[tuple[int, Card]]) -> list[tuple[int, str | None, str | None]]:
    """Return what the window stage must give of cards (with their numbers) in their order."""
    kept = []
    for place, (number, card) in enumerate(cards):
        before = cards[place - 1] if place else None
        if before and card.note and before[1].note == card.note:
            continue  # returned
        two = f"{cards[place - 2][1].item:05}" if place > 1 else None
        kept.append((number, two, str(before[0]) if before else None))
    return kept


@DEAR
@given(CARDS.filter(lambda cards: any(not card.bad for card in cards)), SIZES)
def test_neighbours_are_those_that_reach_the_stage(shop, room, cards, sizes) -> None:
    run = scanned(shop, room(), cards, {"kind": "window"}, sizes=sizes)
    reach = [(number, card) for number, card in enumerate(cards, 1) if not card.bad]
    found = [(int(r["card"]), r["two_back"], r["card_before"]) for r in rows(run)]
    assert found == windows(reach)


@DEAR
@given(CARDS.filter(lambda cards: any(not card.bad for card in cards)), SIZES)
def test_after_a_sort_neighbours_are_those_of_the_new_order(shop, room, cards, sizes) -> None:
    run = scanned(
        shop, room(), cards, {"kind": "sort", "keys": ["item"]}, {"kind": "window"}, sizes=sizes
    )
    reach = [(number, card) for number, card in enumerate(cards, 1) if not card.bad]
    reach.sort(key=lambda pair: pair[1].item)
    found = [(int(r["card"]), r["two_back"], r["card_before"]) for r in rows(run)]
    assert found == windows(reach)


@pytest.mark.slow
@DEAR
@given(CARDS.filter(lambda cards: any(not card.bad for card in cards)), SIZES)
def test_scans_in_a_row_and_sorts_on_what_they_give(shop, room, cards, sizes) -> None:
    chain = [
        {"kind": "window"},
        {"kind": "batch"},
        {"kind": "sort", "keys": [{"field": "batch", "order": "descending"}, "item"]},
    ]
    folder = room()
    run = scanned(shop, folder, cards, *chain, sizes=sizes)
    kept = {number for number, _, _ in windows(
        [(number, card) for number, card in enumerate(cards, 1) if not card.bad]
    )}  # fmt: skip
    batch, wanted = 0, []
    for number, card in enumerate(cards, 1):
        if number in kept:
            batch += card.note == "head"
            wanted.append((-batch, card.item, number))
    found = [(-int(r["batch"]), int(r["item"]), int(r["card"])) for r in rows(run)]
    assert found == sorted(wanted)
    assert {r["of"] for r in rows(run)} <= {str(batch)}
    whole = scanned(shop, folder, cards, *chain)
    assert told(whole) == told(run)


def receipts(count: int) -> list[Card]:
    return [Card(place % 7, NOTES[place * place % 4], place % 5 == 3) for place in range(count)]


CHAIN = [{"kind": "window"}, {"kind": "batch"}]


def test_whoever_runs_the_tasks_all_files_are_the_same(shop, tmp_path) -> None:
    cards, sizes = receipts(60), Sizes(7, 3)
    chain = [*CHAIN, {"kind": "sort", "keys": ["batch", "item"]}]
    one = scanned(shop, tmp_path, cards, *chain, sizes=sizes)
    two = scanned(shop, tmp_path, cards, *chain, sizes=sizes, workers=2)
    back = scanned(shop, tmp_path, cards, *chain, sizes=sizes, executor=Backwards())
    assert shop.sums(one) == shop.sums(two) == shop.sums(back)


def test_the_journal_tells_and_replays_what_a_scan_did(shop, tmp_path) -> None:
    cards = receipts(40)
    run = scanned(shop, tmp_path, cards, *CHAIN, sizes=Sizes(7, 3))
    delivered = {int(row["card"]): row for row in rows(run)}
    journal = Journal(run)
    for number in range(1, 41):
        changed = [e for e in events(journal, card=number, stage=3) if "fields" in e]
        if number not in delivered:
            assert not changed
            continue
        told_of = {n: change for event in changed for n, change in event["fields"].items()}
        wanted = delivered[number]["two_back"]
        assert (told_of.get("two_back") or {}).get("after") == wanted
    lines = (tmp_path / "d.txt").read_bytes().splitlines()
    text = np.array([list(line.ljust(80)) for line in lines], np.uint8)
    left, images = replay(journal, text, ASCII_LATIN)
    assert left.tolist() == list(delivered)
    found = [line.rstrip() for line in (run / "out" / "cards.txt").read_bytes().splitlines()]
    assert found == [image.tobytes().rstrip() for image in images]
    last = max(delivered)
    said = shop.say("trace", run, last)
    assert f"batch added {int(delivered[last]['batch'])}" in said.out


def test_a_sort_on_what_a_scan_gives_cuts_ranges_of_like_size(shop, tmp_path) -> None:
    # samples of the deck alone would put every batch but the first ones into one range
    cards = [Card(place % 5, "head", bad=False) for place in range(4_000)]
    with sizes_gathered() as held:
        chain = [{"kind": "batch"}, {"kind": "sort", "keys": ["batch"]}]
        run = scanned(shop, tmp_path, cards, *chain, sizes=Sizes(400, 100))
    assert [int(row["batch"]) for row in rows(run)] == list(range(1, 4_001))
    assert max(held) <= 2 * 400


FAULTY = {
    "no state": ("None", "later", "gave None as the state of some cards"),
    "a state that cannot be sent": (
        "lambda: 0", "later", "keeps a state that cannot be sent to another process"
    ),
    "a large state": ('b"x" * 70_000', "later", "keeps a state of 70,0"),
    "states that do not join alike": (
        "len(tray)", "earlier - later", "joins states in two ways that do not agree"
    ),
    "states that raise": ("len(tray)", "earlier.more", "'int' object has no attribute 'more'"),
}  # fmt: skip


@pytest.mark.parametrize("how", FAULTY)
def test_a_state_that_is_kept_wrongly_ends_the_run_in_one_sentence(how, shop, tmp_path) -> None:
    fold, join, sentence = FAULTY[how]
    (tmp_path / "faulty.py").write_text(faulty(fold, join), encoding="utf-8")
    job = shop.job(tmp_path, shop.chain({"kind": "faulty"}), plugins=["faulty.py"])
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(place) for place in range(40)])
    with pytest.raises(Exception, match="stage 3") as ended:
        shop.run(job, deck, sizes=Sizes(7, 3))
    said = str(ended.value)
    assert "stage 3 (faulty) (faulty.py)" in said
    assert sentence in said
    assert getattr(ended.value, "exit_code", 0) == 3
    assert not (tmp_path / "run").exists()


def test_only_a_stage_that_asks_for_what_went_before_begins_a_pass(shop, tmp_path) -> None:
    numbered = """
[[field]]
name = "serial"
columns = "75-80"
kind = "digits"
"""
    layouts = {"receipts": shop.receipts, "numbered": numbered}
    options = {"kind": "reproduce", "layout": "numbered", "base": "card"}
    for source, passes in (({"constant": "7"}, 1), ({"sequence": {}}, 2)):
        chain = shop.chain({**options, "fields": {"serial": source}})
        assert len(load_plan(shop.job(tmp_path, chain, layouts)).passes) == passes


TEXTS = st.lists(st.sampled_from(["", "a", "bc", "def  ", "  g"]), max_size=12)


def tray_of(texts: list[str], first: int = 1) -> Tray:
    """Return cards with a text field as wide as the widest of them, as an added one is."""
    cards = np.arange(first, first + len(texts), dtype=np.int64)
    tray = Tray(cards, np.full((len(texts), 80), 32, np.uint8), load_code("latin-1"))
    return tray.with_field("word", pl.Series("word", [t or None for t in texts], dtype=pl.String))


@given(TEXTS, TEXTS, TEXTS, st.integers(1, 5))
def test_last_cards_join_alike_however_they_are_cut(one, two, three, most) -> None:
    trays = [tray_of(one), tray_of(two, 1 + len(one)), tray_of(three, 1 + len(one) + len(two))]
    a, b, c = (tray.last(most, ["word", "card"]) for tray in trays)
    whole = tray_of([*one, *two, *three]).last(most, ["word", "card"])
    assert same_state(a.then(b).then(c), a.then(b.then(c)))
    assert same_state(a.then(b).then(c), whole)
    assert same_state(pickle.loads(pickle.dumps(whole)), whole)  # noqa: S301 # our own bytes
    assert len(whole) == min(most, len(one) + len(two) + len(three))


@given(TEXTS, TEXTS, st.integers(1, 4))
def test_earlier_gives_what_stood_so_many_cards_before(before, here, by) -> None:
    first = tray_of(before)
    last = first.last(by, ["word"]) if before else None
    found = tray_of(here, 1 + len(before)).earlier("word", last, by).to_list()
    words = [None] * by + [(text.rstrip() or None) for text in (*before, *here)]
    assert [each or None for each in found] == words[len(before) : len(before) + len(here)]


def test_earlier_refuses_to_look_back_at_more_cards_than_are_kept() -> None:
    tray = tray_of(["a", "b"])
    with pytest.raises(ValueError, match="cannot look 2 cards back: of the cards before a tray, 1"):
        tray.earlier("word", tray.last(1, ["word"]), by=2)
    with pytest.raises(ValueError, match="cannot be followed by"):
        tray.last(1, ["word"]).then(tray.last(2, ["word"]))
    number = tray.with_field("word", Values("whole", np.arange(2)))
    with pytest.raises(ValueError, match="became one of"):
        tray.last(3, ["word"]).then(number.last(3, ["word"]))


@given(st.lists(st.integers(0, 3), min_size=2, max_size=20))
def test_a_state_is_the_same_only_where_what_it_holds_is(numbers) -> None:
    trays = [tray_of(["x" * (n + 1) for n in numbers[at:]]) for at in (0, 1)]
    one, other = (tray.last(30, ["word"]) for tray in trays)
    assert same_state(one, trays[0].last(30, ["word"]))
    assert not same_state(one, other)
    assert not same_state(LastCards(1, {}), 1)
    assert all(same_state([a, (b,)], [a, (b,)]) for a, b in pairwise(numbers))

"""The account of a stage, its digest, what it changed, and how cards are parted: as units."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from deckwright.cards.codetable import ASCII_LATIN
from deckwright.cards.values import Values
from deckwright.engine.passes import worker
from deckwright.engine.passes.accounts import check_account, digest
from deckwright.engine.passes.changes import note_changes
from deckwright.engine.passes.partition import Cuts, cuts_of, group_by_route
from deckwright.engine.planning.limits import Sizes
from deckwright.errors import AccountError
from deckwright.layout.tray import Tray
from deckwright.plugin.book import Book
from layout_cards import one_field


def tray_of(count: int, width: int, seed: int) -> Tray:
    chance = np.random.default_rng(seed)
    text = chance.integers(32, 127, (count, width)).astype(np.uint8)
    cards = chance.permutation(10 * count)[:count].astype(np.int64) + 1
    return Tray(np.sort(cards), text, ASCII_LATIN)


TRAYS = st.builds(tray_of, st.integers(1, 12), st.integers(1, 40), st.integers(0, 999))


@given(TRAYS, st.data())
def test_the_digest_sees_every_column_of_every_card(tray, data) -> None:
    """The columns after the last eight too."""
    row = data.draw(st.integers(0, len(tray) - 1))
    column = data.draw(st.integers(0, tray.text.shape[1] - 1))
    text = tray.text.copy()
    text[row, column] ^= data.draw(st.integers(1, 255))
    assert digest(Tray(tray.cards, text, ASCII_LATIN)) != digest(tray)


@given(TRAYS, st.randoms(use_true_random=False))
def test_the_digest_does_not_see_the_order_but_who_has_which_text(tray, random) -> None:
    order = list(range(len(tray)))
    random.shuffle(order)
    places = np.array(order)
    assert digest(tray.take(places)) == digest(tray)
    exchanged = Tray(tray.cards, tray.text[places], ASCII_LATIN)
    same = (exchanged.text == tray.text).all()
    assert (digest(exchanged) == digest(tray)) == bool(same)


def sort_that(change):
    """Return the order of a sort, changed before it is used."""
    order_of = worker.order_of
    return lambda words: change(order_of(words))


@pytest.mark.parametrize("how", ["doubles", "loses"])
def test_a_sort_that_doubles_or_loses_a_card_is_refused(shop, tmp_path, monkeypatch, how) -> None:
    changed = {"doubles": lambda order: np.r_[order[:1], order[:-1]], "loses": lambda o: o[1:]}
    monkeypatch.setattr(worker, "order_of", sort_that(changed[how]))
    job = shop.job(tmp_path, shop.chain({"kind": "sort", "keys": ["item"]}))
    deck = shop.deck(tmp_path / "d.txt", [shop.receipt(item % 3) for item in range(9)])
    with pytest.raises(AccountError, match=r"^stage 3 \(sort\) .*changed the digest of all cards"):
        shop.run(job, deck, sizes=Sizes(100, 100))
    assert not (tmp_path / "run").exists()


@given(TRAYS, st.data())
def test_an_account_names_what_was_lost_doubled_or_brought(tray, data) -> None:
    row = data.draw(st.integers(0, len(tray) - 1))
    card = int(tray.cards[row])
    rows = np.arange(len(tray))
    ill = {
        "lost a card": tray.take(np.delete(rows, row)),
        "doubled a card": tray.take(np.insert(rows, row, row)),
        "brought a card number": Tray(np.where(rows == row, 10**6, tray.cards), tray.text,
                                      ASCII_LATIN),
    }  # fmt: skip
    for what, out in ill.items():
        with pytest.raises(AccountError, match=what) as told:
            check_account("stage 2 (x)", "x 1.0", tray, out, Book())
        assert told.value.cards == [10**6 if what.startswith("brought") else card]
    book = Book()
    out = book.give_back(tray, rows == row, "bad")
    settled = check_account("stage 2 (x)", "x 1.0", tray, out, book)
    assert settled.count.balances
    assert settled.returned.tolist() == [card]
    assert settled.kept.tolist() == np.delete(rows, row).tolist()


class Kept:
    """Keeps what a journal segment would be given."""

    def __init__(self) -> None:
        self.found: dict[str, tuple[list[int], list]] = {}

    def column(self, name, rows, data) -> None:
        self.found[name] = (np.asarray(rows).tolist(), np.asarray(data).tolist())

    def values(self, name, rows, values) -> None:
        self.column(name, rows, values.data)


_NOTHING_PERSONAL = SimpleNamespace(names=frozenset(), spans=())
STEP = SimpleNamespace(
    number=5, stage=SimpleNamespace(derived=frozenset()), personal=_NOTHING_PERSONAL
)


@given(st.integers(2, 12), st.data())
def test_what_stood_before_is_that_of_the_same_card(count, data) -> None:
    """Where cards leave, the places of those that go on are not those that they came at."""
    kept = np.array(sorted(data.draw(st.sets(st.integers(0, count - 1), min_size=1))), np.intp)
    tray = tray_of(count, 10, count).with_field("n", Values("whole", np.arange(count) * 10))
    part = tray.take(kept)
    text = part.text.copy()
    text[:, 3] = 7
    out = part.with_text(text, one_field(10))
    out = out.with_field("n", Values("whole", np.full(len(kept), -1)))
    rows = 100 + kept
    segment = Kept()
    note_changes(STEP, tray, out, kept, rows, segment)
    assert segment.found["s5_before_n"] == (rows.tolist(), (kept * 10).tolist())
    assert segment.found["s5_after_n"] == (rows.tolist(), [-1] * len(kept))
    before = {name: told for name, told in segment.found.items() if name.startswith("s5_before_")}
    spans = [name for name in before if name != "s5_before_n"]
    assert spans
    for name in spans:
        first, last = map(int, name.removeprefix("s5_before_").split("_"))
        assert before[name] == (rows.tolist(), tray.text[kept, first - 1 : last].tolist())


WORDS = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 3)), min_size=2, max_size=60)


@given(WORDS, st.integers(1, 9), st.booleans())
def test_ranges_part_the_keys_in_their_order(pairs, ranges, part_equal) -> None:
    words = np.array(pairs, np.uint64).T
    cards = np.arange(1, len(pairs) + 1)
    cuts = cuts_of(words, cards, ranges, part_equal=part_equal)
    assert 1 <= cuts.ranges <= ranges
    routes = cuts.route(words, cards)
    keyed = [(*pair, int(card)) if cuts.by_card else pair
             for pair, card in zip(pairs, cards, strict=True)]  # fmt: skip
    for one, here in zip(keyed, routes, strict=True):
        for other, there in zip(keyed, routes, strict=True):
            assert not (one < other and here > there)
            assert not (one == other and here != there)
    order, counts = group_by_route(routes, cuts.ranges)
    assert routes[order].tolist() == sorted(routes.tolist())
    assert counts.tolist() == [int((routes == place).sum()) for place in range(cuts.ranges)]
    for place in range(cuts.ranges):  # as they came, within a range
        within = order[routes[order] == place].tolist()
        assert within == sorted(within)


@given(st.integers(2, 400), st.integers(2, 9))
def test_equal_keys_are_parted_only_where_they_may_be(count, ranges) -> None:
    assume(count >= ranges)
    words, cards = np.zeros((1, count), np.uint64), np.arange(count)
    assert cuts_of(words, cards, ranges, part_equal=True).ranges > 1
    whole = cuts_of(words, cards, ranges, part_equal=False)
    assert isinstance(whole, Cuts)
    assert len(set(whole.route(words, cards).tolist())) == 1

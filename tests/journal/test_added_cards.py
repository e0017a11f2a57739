"""Cards that a stage added: known by their number, in whatever pass they came."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from deckwright.journal.columns import pl_cards
from deckwright.journal.events import events
from deckwright.journal.reader import Journal, NoSuchCardError
from deckwright.journal.trace import trace

TWICE = '''"""Adds a copy of the first card of every tray."""

from __future__ import annotations

import dataclasses

import numpy as np

from deckwright import Book, StageConfig, Tray, TrayStage, hookimpl


class TwiceConfig(StageConfig):
    """No options."""


class TwiceStage(TrayStage[TwiceConfig]):
    kind = "twice"

    def run(self, tray: Tray, book: Book) -> Tray:
        out = tray.take(np.concatenate([np.arange(len(tray)), [0]]))
        return dataclasses.replace(out, cards=np.concatenate([tray.cards, book.add_cards(1)]))


@hookimpl
def deckwright_stages() -> list[type[TwiceStage]]:
    return [TwiceStage]
'''
CARDS = 40


@pytest.fixture(scope="module")
def journal(shop, tmp_path_factory) -> Journal:
    """Return the journal of a run of three passes, each of which adds cards."""
    folder: Path = tmp_path_factory.mktemp("added")
    (folder / "twice.py").write_text(TWICE, encoding="utf-8")
    twice = {"kind": "twice"}
    chain = shop.chain(
        twice,
        {"kind": "sort", "keys": ["item"]},
        twice,
        {"kind": "sort", "keys": ["amount"]},
        twice,
    )
    job = shop.job(folder, chain, plugins=["twice.py"])
    cards = [shop.receipt(7 * n % 23, f"{n % 5:05}{{") for n in range(CARDS)]
    deck = shop.deck(folder / "cards.deck", shop.lines(cards))
    shop.run(job, deck, sizes=shop.small)
    return Journal(folder / "run")


def added(journal: Journal) -> dict[int, int]:
    """Return the cards that were added, each with its stage."""
    found = [each for each in events(journal) if each["event"] == "card_added"]
    return {each["card"]: each["stage"] for each in found}


def test_each_pass_added_cards_and_every_one_is_known_as_added(journal) -> None:
    cards = added(journal)
    assert set(cards.values()) == {3, 5, 7}
    for card, stage in cards.items():
        where, index = journal.added_in(card)
        assert where == {3: 1, 5: 2, 7: 3}[stage]
        assert 0 <= index < len(journal.passes[where - 1].tasks)
        assert journal.deck_of(card) == ("", 0)
        lines = trace(journal, card)
        assert lines[0] == f"card {card} (added by a stage)"
        (line,) = (line for line in lines if line.startswith(f"  {stage} twice "))
        assert "added; " in line


def test_a_sort_moves_only_cards_that_were_there(journal) -> None:
    cards = added(journal)
    for sort in (4, 6):
        there = [*range(1, CARDS + 1), *(card for card, stage in cards.items() if stage < sort)]
        moved = [e for e in events(journal, stage=sort) if e["event"] == "card_moved"]
        assert {each["card"] for each in moved} == set(there)
        assert sorted(each["place"] for each in moved) == list(range(1, len(there) + 1))


def test_the_history_of_an_added_card_begins_where_it_was_added(journal) -> None:
    for card, stage in added(journal).items():
        assert trace(journal, card)[1].startswith(f"  {stage} twice ")


def test_an_added_card_was_nothing_before(journal) -> None:
    cards = added(journal)
    changes = [each for each in events(journal) if each["event"] == "card_changed"]
    new = {each["card"]: each["fields"] for each in changes if each["stage"] in {3, 5, 7}}
    assert set(new) == set(cards)
    for card, fields in new.items():
        assert set(fields) == {"item", "amount", "note", "columns 31-80"}
        assert [set(change) for change in fields.values()] == [{"after"}] * 4
        line = next(line for line in trace(journal, card) if "item added" in line)
        assert f"item added {fields['item']['after']!r}" in line
        assert "\\x00" not in line


def test_the_events_of_a_card_are_those_of_all_that_name_it(journal) -> None:
    every = list(events(journal))
    for card in [*range(1, CARDS + 1), *added(journal)]:
        mine = [each for each in every if each["card"] == card]
        assert list(events(journal, card=card)) == mine
        assert trace(journal, card)[0].startswith(f"card {card} (")


def test_numbers_beside_those_of_added_cards_are_no_cards(journal) -> None:
    cards = added(journal)
    for card in [0, CARDS + 1, *(number + 1 for number in cards), *(n - 1 for n in cards)]:
        if card not in cards:
            assert journal.added_in(card) is None
            with pytest.raises(NoSuchCardError, match=f"cards 1 to {CARDS}"):
                journal.deck_of(card)


@pytest.mark.parametrize(
    ("most", "kind"), [(2**32 - 1, pl.UInt32), (2**32, pl.Int64), (2**40, pl.Int64)]
)
def test_card_numbers_take_32_bits_where_they_fit(most, kind) -> None:
    frame = pl_cards(np.array([1, most], np.int64))
    assert frame.schema == {"card": kind}
    assert frame["card"].to_list() == [1, most]

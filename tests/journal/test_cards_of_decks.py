"""A card of a run of several decks is known by its deck and its number there, both ways."""

from __future__ import annotations

import pytest

from deckwright.journal.reader import Journal, NoSuchCardError


def test_every_card_has_its_deck_and_its_number_there(shop, tmp_path) -> None:
    counts = {"first.txt": 3, "second.txt": 1, "third.txt": 2}
    decks = [
        shop.deck(tmp_path / name, [shop.receipt(item) for item in range(1, count + 1)])
        for name, count in counts.items()
    ]
    journal = Journal(shop.run(shop.job(tmp_path, shop.chain()), *decks).folder)
    places = [(name, number + 1) for name, count in counts.items() for number in range(count)]
    for card, (name, number) in enumerate(places, 1):
        assert journal.place_of(card) == {"deck": name, "card_in_deck": number}
        assert journal.deck_of(card) == (name, number)
        assert journal.card_in(name, number) == card
    # behind the last card none lies in any deck
    assert journal.place_of(len(places) + 1) == {}
    with pytest.raises(NoSuchCardError, match="the run has cards 1 to 6"):
        journal.deck_of(len(places) + 1)


def test_in_a_run_of_one_deck_the_number_says_it_all(shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "one.txt", [shop.receipt(1)])
    journal = Journal(shop.run(shop.job(tmp_path, shop.chain()), deck).folder)
    assert journal.place_of(1) == {}

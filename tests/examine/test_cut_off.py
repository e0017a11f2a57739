"""A deck that ends inside a card is looked at up to its last whole one, with a warning."""

from __future__ import annotations

import json

import pytest

from deckwright.examine.deck import examine
from deckwright.examine.show.page import deck_report


@pytest.fixture(scope="module")
def cut(tmp_path_factory, demo):
    """Return a deck of 95 cards of which the last is not whole."""
    path = tmp_path_factory.mktemp("cut") / "cut.cbn"
    path.write_bytes(demo.decks[0].read_bytes()[: 160 * 94 + 123])
    return path


def test_it_is_examined_and_the_warning_stands_everywhere(cut, shop) -> None:
    found = examine([cut])
    assert found.cards == 94
    (warning,) = found.warnings
    assert warning.startswith("cut.cbn ends inside card 95, after 123 of the 160 bytes")
    assert warning.endswith("its 94 whole cards are shown")
    assert f"<b>Please look:</b> {warning}." in deck_report(found)
    said = shop.say("examine", cut, "--json", "-")
    assert said.code == 0
    assert said.err == f"warning: {warning}\n"
    assert json.loads(said.out)["warnings"] == [warning]


def test_its_whole_cards_are_drawn_and_the_broken_one_is_not(cut, shop) -> None:
    before = cut.read_bytes()
    said = shop.say("draw", cut, 94)
    assert said.code == 0, said.err
    assert said.out.startswith("Card 94\n")
    assert "ends inside card 95" in said.err
    refused = shop.say("draw", cut, 95)
    assert refused.code == 2
    assert "has cards 1 to 94" in refused.err
    assert cut.read_bytes() == before


def test_a_deck_without_a_whole_card_is_refused(shop, tmp_path) -> None:
    deck = shop.deck(tmp_path / "part.dat", b"x" * 79)
    medium = '{ kind = "blocks", code = "ascii", record_length = 80 }'
    for command in ("examine", "draw"):
        said = shop.say(command, deck, "--medium", medium)
        assert said.code == 4
        assert "ends inside card 1" in said.err


def test_several_decks_may_be_cut_off(demo, cut, shop, tmp_path) -> None:
    other = tmp_path / "other.cbn"
    other.write_bytes(demo.decks[1].read_bytes()[: 160 * 50 + 1])
    whole = tmp_path / "whole.cbn"
    whole.write_bytes(demo.decks[2].read_bytes()[: 160 * 60])
    found = examine([cut, other, whole])
    assert [deck.name for deck in found.decks] == ["cut.cbn", "other.cbn", "whole.cbn"]
    assert [deck.cards for deck in found.decks] == [94, 50, 60]
    assert len(found.warnings) == 2

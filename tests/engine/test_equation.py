"""The equation on the control sheet counts every way that a card can go."""

from __future__ import annotations


def test_cards_delivered_returned_and_set_aside_add_up_to_those_read(shop, tmp_path) -> None:
    good = [shop.receipt(item) for item in range(1, 6)]
    deck = shop.deck(tmp_path / "deck.txt", [*good, "", shop.receipt("0000Y"), "", ""])
    control = shop.control(shop.run(shop.job(tmp_path, shop.chain()), deck).folder)
    assert control["equation"] == {
        "in": 9, "added": 0, "out": 5, "returned": 1, "set_aside": 3, "holds": True,
    }  # fmt: skip

"""A card that slipped by a column comes back as it came, and is named so."""

from __future__ import annotations

import csv

from deckwright.demo.files import SEED, write_demo
from deckwright.demo.truth import load_truth


def test_the_shifted_card_of_a_month_is_named_so(shop, tmp_path) -> None:
    demo = write_demo(tmp_path, SEED)
    run = shop.run(demo.job, demo.decks[0]).folder
    (seeded,) = [
        fault for fault in load_truth(demo.truth).decks[0].faults if fault.kind == "shifted-card"
    ]
    with (run / "returned" / "reasons.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["reason"] == "shifted"]
    assert [int(row["card"]) for row in rows] == [*seeded.cards]
    (said,) = {row["detail"] for row in rows}
    assert said == "would fit shifted one column to the left from column 16 on, but for column 80"
    place = int(rows[0]["place_in_returned_deck"]) - 1
    size, card = 160, seeded.cards[0] - 1
    came = demo.decks[0].read_bytes()[card * size : (card + 1) * size]
    returned = (run / "returned" / demo.decks[0].name).read_bytes()
    assert returned[place * size : (place + 1) * size] == came
    assert said in (run / "returned.html").read_text(encoding="utf-8").lower()

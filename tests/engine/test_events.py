"""The journal told as events."""

from __future__ import annotations

import json

from deckwright.journal import events as told
from deckwright.journal.reader import Journal


def test_a_large_run_tells_the_same_events_in_the_order_of_the_journal(
    shop, tmp_path, monkeypatch
) -> None:
    cards = [shop.receipt(item) for item in (3, 1, 2)] + ["0000A00100{"]
    chain = shop.chain()
    chain.insert(2, {"kind": "sort", "keys": ["item"]})
    job = shop.job(tmp_path, chain)
    run = shop.run(job, shop.deck(tmp_path / "d.txt", cards), out=tmp_path / "run").folder
    by_card = [json.dumps(event) for event in told.events(Journal(run))]
    monkeypatch.setattr(told, "ORDERED", 0)
    as_written = [json.dumps(event) for event in told.events(Journal(run))]
    assert sorted(as_written) == sorted(by_card)
    assert [json.loads(event)["card"] for event in by_card] == [1, 2, 3, 4, 4]
    # the returned card is told with the first pass, those that were moved with the second
    assert [json.loads(event)["card"] for event in as_written] == [4, 4, 2, 3, 1]

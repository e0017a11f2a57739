"""What was found on cards is sealed in the journal wherever it is or may be personal."""

from __future__ import annotations

import polars as pl

from deckwright.journal.sealing import sealed
from deckwright.layout.personal import Personal, Seal

COLUMNS = ["stage", "card", "severity", "reason", "field", "first", "last", "found"]


def test_what_was_found_is_sealed_in_personal_fields_and_on_cards_out_of_place() -> None:
    rows = [
        (2, 1, "fatal", "not-a-digit", "observer", 1, 5, "a name"),
        (2, 2, "fatal", "not-a-digit", "item", 4, 9, "over its columns"),
        (2, 3, "fatal", "not-a-digit", "item", 6, 9, "12X4"),
        # two fields that fail for themselves: the card may be shifted
        (2, 4, "fatal", "not-a-digit", "item", 6, 9, "shifted"),
        (2, 4, "fatal", "not-a-digit", "amount", 10, 12, "as well"),
        (3, 4, "query", "odd", "other", 20, 21, "later too"),
        # a stage at which nothing is personal says nothing of the place of fields
        (3, 5, "fatal", "not-a-digit", "item", 1, 5, "as it is"),
        (3, 5, "fatal", "not-a-digit", "amount", 6, 9, "as it is"),
    ]
    entries = pl.DataFrame(rows, COLUMNS, orient="row")
    personal = {2: Personal(frozenset({"observer"}), ((1, 5),), ((1, 5),))}
    seal = Seal(b"a key of a run")
    found = sealed(entries, personal, seal)
    assert found.drop("found").equals(entries.drop("found"))
    shown = {3, 5}
    assert found["found"].to_list() == [
        text if card in shown else seal.text(text) for _, card, *_, text in rows
    ]

"""A card of a run of several decks has one name wherever it stands: its number in its own deck."""

from __future__ import annotations

import csv
import json
import re

import pytest

from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from deckwright.report.model import ADDED_FROM, card_name, run_number
from picture_help import named_cards, zipped

GOOD, BAD = "00001000150", "0000Y000150"


def said_on(page: str) -> set[str]:
    """Return every place of a page that names a card of the second deck."""
    return set(re.findall(r"Card (\d+) of two", page))


@pytest.fixture(scope="module")
def run(tmp_path_factory, shop):
    """Return a run of two decks; the first card of the second, the fourth of all, came back."""
    folder = tmp_path_factory.mktemp("decks")
    job = shop.job(folder, shop.chain(), record_log=True)
    first = shop.deck(folder / "one.txt", [GOOD, GOOD, GOOD])
    second = shop.deck(folder / "two.txt", [BAD, GOOD])
    return shop.run(job, first, second).folder


def test_the_pages_name_the_card_of_the_deck_and_the_one_of_the_run_beside_it(run) -> None:
    for name in ("control.html", "returned.html"):
        page = (run / name).read_text(encoding="utf-8")
        assert said_on(page) == {"1"}, name
        assert "card 4 of the run" in page, name


def test_a_drawing_names_the_card_of_the_deck(run, shop) -> None:
    assert shop.say("draw", run).out.startswith("Card 1 of two.txt (card 4 of the run)\n")


def test_lists_and_log_tell_deck_and_card_of_the_deck(run) -> None:
    with (run / "returned" / "reasons.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["deck"], row["card_in_deck"], row["card"]) == ("two.txt", "1", "4")
    lines = map(json.loads, (run / "log.jsonl").read_text(encoding="utf-8").splitlines())
    (event,) = [line for line in lines if line["event"] == "card_failed"]
    assert (event["deck"], event["card_in_deck"], event["card"]) == ("two.txt", 1, 4)


def test_events_of_a_run_of_one_deck_need_no_deck(shop, tmp_path) -> None:
    job = shop.job(tmp_path, shop.chain())
    run = shop.run(job, shop.deck(tmp_path / "one.txt", [GOOD, BAD])).folder
    told = {event["card"]: "deck" in event for event in events(Journal(run))}
    assert told == {2: False}


def test_the_reading_report_names_the_card_of_the_deck(shop, tmp_path) -> None:
    chain = shop.chain()
    chain[0] = {"kind": "decode", "medium": {"kind": "pictures"}}
    decks = []
    for name in ("one", "two"):
        deck = tmp_path / f"{name}.zip"
        deck.write_bytes(zipped(named_cards([GOOD, GOOD])))
        decks.append(deck)
    run = shop.run(shop.job(tmp_path, chain), *decks).folder
    page = (run / "out" / "reading.html").read_text(encoding="utf-8")
    assert said_on(page) == {"1", "2"}
    assert "card 4 of the run" in page
    assert "Card 4" not in page


def test_a_card_that_a_stage_added_lies_in_no_box() -> None:
    assert card_name(ADDED_FROM + 1, "two.txt", 1) == "Card that a stage added"
    assert run_number(ADDED_FROM + 1)
    assert card_name(4) == "Card 4"
    assert not run_number(4)

"""A card of a run of several decks has one name wherever it stands: its number in its own deck."""

from __future__ import annotations

import csv
import json
import pickle
import re

import pytest

from deckwright.engine.planning.limits import Sizes
from deckwright.engine.planning.naming import name_cards
from deckwright.errors import AccountError, DeckwrightError, PluginFailedError, StageError
from deckwright.journal.events import events
from deckwright.journal.reader import Journal
from deckwright.plugin.values import DeckPart
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
    chain[0] = {"kind": "decode", "medium": {"kind": "pictures", "cut": "upper-left"}}
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


BAD_STAGE = '''
from deckwright import StageConfig, TrayStage, hookimpl
import numpy as np

class BadConfig(StageConfig):
    """No options."""

class BadStage(TrayStage[BadConfig]):
    kind = "bad"

    def run(self, tray, book):
        if 5 in tray.cards:
            {body}
        return tray

@hookimpl
def deckwright_stages():
    return [BadStage]
'''
LOSE, RAISE = "return tray.take(np.flatnonzero(tray.cards != 5))", 'raise ValueError("no paper")'


@pytest.fixture(scope="module")
def failing(tmp_path_factory, shop):
    """Return how a run of three decks, of 3, 2 and 1 cards, fails whose stage goes wrong."""

    def fail(body: str, cards_a_tray: int) -> DeckwrightError:
        folder = tmp_path_factory.mktemp("bad")
        (folder / "bad.py").write_text(BAD_STAGE.format(body=body), encoding="utf-8")
        job = shop.job(folder, shop.chain({"kind": "bad"}), plugins=["bad.py"])
        decks = [
            shop.deck(folder / f"{name}.txt", [GOOD] * cards)
            for name, cards in (("one", 3), ("two", 2), ("three", 1))
        ]
        with pytest.raises(DeckwrightError) as caught:
            shop.run(job, *decks, sizes=Sizes(cards_a_tray, cards_a_tray))
        return caught.value

    return fail


def test_an_error_of_a_stage_names_the_cards_of_the_deck(failing) -> None:
    said = str(failing(RAISE, 1))
    assert "failed on card 2 of two.txt (card 5 of the run): ValueError: no paper" in said
    said = str(failing(RAISE, 100))
    assert "failed on cards 1 to 2 of two.txt (cards 4 to 5 of the run): " in said
    said = str(failing(LOSE, 100))
    assert "lost a card: card 2 of two.txt (card 5 of the run); nothing was delivered" in said


def test_after_a_sort_an_error_names_its_cards_from_the_lowest_to_the_highest(
    shop, tmp_path
) -> None:
    (tmp_path / "bad.py").write_text(BAD_STAGE.format(body=RAISE), encoding="utf-8")
    stages = shop.chain({"kind": "sort", "keys": ["item"]}, {"kind": "bad"})
    job = shop.job(tmp_path, stages, plugins=["bad.py"])
    for items, said in (
        ([5, 4, 3, 2, 1], "failed on cards 1 to 5: "),
        ([9, 2, 3, 4, 8], "failed on 3 of the cards 1 to 5: "),
    ):
        deck = shop.deck(tmp_path / "deck.txt", [shop.receipt(item) for item in items])
        with pytest.raises(StageError) as caught:
            shop.run(job, deck, sizes=Sizes(3 if 9 in items else 100, 100))
        assert said in str(caught.value)


@pytest.mark.parametrize(
    ("first", "last", "count", "named"),
    [
        (1, 3, 3, "cards 1 to 3"),
        (1, 3, 2, "2 of the cards 1 to 3"),
        (2, 2, 1, "card 2"),
        (1, 9_999, 1_234, "1,234 of the cards 1 to 9,999"),
    ],
)
def test_cards_with_others_between_them_are_told_as_some_of_a_range(
    first, last, count, named
) -> None:
    assert f"failed on {named}: " in str(StageError("s", "x", first, last, "why", count))


def test_an_error_survives_the_way_between_processes_with_its_names(failing) -> None:
    error = failing(LOSE, 100)
    assert str(pickle.loads(pickle.dumps(error))) == str(error)  # noqa: S301 # our own


DECKS = [DeckPart("a", "", 1, 3), DeckPart("b", "", 4, 2)]


@pytest.mark.parametrize(
    ("first", "last", "named"),
    [
        (1, 3, "cards 1 to 3 of a (cards 1 to 3 of the run)"),
        (
            2,
            4,
            "cards from card 2 of a (card 2 of the run) to card 1 of b (card 4 of the run)",
        ),
        (
            5,
            ADDED_FROM,
            f"cards from card 2 of b (card 5 of the run) to card {ADDED_FROM}, which a stage added",
        ),
        (4, 4, "card 1 of b (card 4 of the run)"),
    ],
)
def test_a_range_of_cards_is_named_by_decks(first, last, named) -> None:
    error = StageError("stage 2 (bad)", "x", first, last, "why")
    name_cards(error, DECKS)
    assert str(error) == f"stage 2 (bad) (x) failed on {named}: why"


def test_in_a_run_of_one_deck_the_number_of_a_card_is_enough() -> None:
    errors = StageError("s", "x", 1, 3, "why"), AccountError("s", "x", "lost a card", [1, 1234])
    for error in errors:
        name_cards(error, DECKS[:1])
    assert [str(error) for error in errors] == [
        "s (x) failed on cards 1 to 3: why",
        "s (x) lost a card: card 1, 1,234; nothing was delivered",
    ]


def test_an_error_without_cards_names_none() -> None:
    error = AccountError("s", "x", "does not balance", [])
    name_cards(error, DECKS)
    assert str(error) == "s (x) does not balance; nothing was delivered"
    failed = PluginFailedError("s", "x", "finish", "why")
    name_cards(failed, DECKS)
    assert str(failed) == "s (x) failed in finish: why"


def test_a_card_that_a_stage_added_lies_in_no_box() -> None:
    assert card_name(ADDED_FROM + 1, "two.txt", 1) == "Card that a stage added"
    assert run_number(ADDED_FROM + 1)
    assert card_name(4) == "Card 4"
    assert not run_number(4)

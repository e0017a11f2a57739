"""What is proposed passes `check`, runs on its own deck, and returns few cards."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from deckwright.cards.bitlayouts import BIT_LAYOUTS, bit_layout
from deckwright.cards.codes import load_code
from deckwright.engine.planning.plan import load_plan
from deckwright.engine.run import run_job
from deckwright.examine.deck import examine
from deckwright.examine.show.proposing import MOST_RETURNED, propose
from examine.conftest import text_deck
from sets import first_line

quick = settings(
    max_examples=4, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate]
)


def ran(deck, folder, **known):
    """Propose a job for a deck, check it, run it; return the outcome."""
    found = examine([deck], **known)
    made = propose(found, folder / "proposed", found.own_codes)
    load_plan(made.job)
    outcome = run_job(made.job, [deck], folder / "run", workers=1)
    assert outcome.cards == found.cards
    assert outcome.set_aside == sum(o.count for o in found.odd if o.reason == "blank")
    return outcome, found


def few(outcome, found):
    """Return how many cards may come back: those that are odd already, and guesses' share."""
    odd = sum(one.count for one in found.odd)
    return outcome.returned <= odd + 2 * MOST_RETURNED * outcome.cards


def as_medium(cards, medium):
    """Return cards as the bytes of a medium; a code, or a layout of bits."""
    if medium == "text":
        return text_deck(cards)
    if medium in BIT_LAYOUTS:
        holes = load_code("ebcdic").to_holes[cards].astype(np.uint16)
        return bit_layout(medium).images(holes).tobytes()
    return load_code(medium).to_raw.astype(np.uint8)[cards].tobytes()


@quick
@given(
    medium=st.sampled_from(["text", "cp037", "cp500", "two-bytes", "rows-12-first"]),
    seed=st.integers(0, 1000),
    faults=st.lists(st.tuples(st.integers(0, 599), st.integers(0, 79)), max_size=12),
)
def test_a_proposed_job_runs_and_returns_few_cards(room, planted, medium, seed, faults) -> None:
    cards = planted(600, seed)
    for row, column in faults:
        cards[row, column] = ord("Q")
    cards[77] = 32
    folder = room()
    deck = folder / "strange.dck"
    deck.write_bytes(as_medium(cards, medium))
    outcome, found = ran(deck, folder, code=medium if medium.startswith("cp") else None)
    assert few(outcome, found)
    assert outcome.returned <= len(faults)


@pytest.mark.parametrize("month", first_line([0, 6], 6))
def test_a_proposal_for_a_demo_deck_runs(demo, tmp_path, month) -> None:
    outcome, found = ran(demo.decks[month], tmp_path)
    assert few(outcome, found)
    assert outcome.returned < 40


def test_a_proposal_for_the_station_master_runs(demo, tmp_path) -> None:
    outcome, found = ran(demo.masters[0], tmp_path)
    assert few(outcome, found)


def test_a_proposal_says_of_every_field_why_and_that_a_person_must_confirm(
    january, tmp_path
) -> None:
    found = january
    made = propose(found, tmp_path, found.own_codes)
    layout = made.layout.read_text(encoding="utf-8")
    job = made.job.read_text(encoding="utf-8")
    tables = tomllib.loads(layout)
    assert "a person must" in job.replace("\n# ", " ")
    assert "Confirm each" in layout
    for card, one in zip(tables["card"], found.types.types, strict=False):
        assert len(card["field"]) == sum(bool(guess.options) for guess in one.guesses)
        for guess in one.guesses:
            assert guess.sentence.split("; ")[0][:30] in layout.replace("\n# ", " ")


def test_a_proposal_never_writes_over_a_file(demo, tmp_path, shop) -> None:
    (tmp_path / "rain-1957-01.toml").write_text("mine", encoding="utf-8")
    said = shop.say("examine", demo.decks[0], "--brief", "--propose", tmp_path)
    assert said.code == 73
    assert "is there already" in said.err
    assert (tmp_path / "rain-1957-01.toml").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "layouts").exists()


def test_names_and_texts_that_toml_must_escape_stay_whole(write, planted, tmp_path) -> None:
    cards = planted(60)
    cards[:, 24] = np.where(np.arange(60) % 2, ord('"'), ord("\\"))
    deck = write(text_deck(cards), 'odd "name" \u00e9.dck')
    outcome, _ = ran(deck, tmp_path)
    assert outcome.delivered == 60


@pytest.mark.parametrize(
    ("deck", "job"),
    [
        ("SW-All.dat", "SW-All"),
        ("x_33.txt", "x_33"),
        ("Box 7 (top).dck", "Box-7-top"),
        (".x", "deck"),
    ],
)
def test_a_job_is_called_as_its_deck_where_that_is_a_name(write, planted, tmp_path, deck, job):
    found = examine([write(text_deck(planted(60)), deck)])
    made = propose(found, tmp_path / "here", found.own_codes)
    assert (made.job.name, made.layout.name) == (f"{job}.toml", f"{job}-cards.toml")

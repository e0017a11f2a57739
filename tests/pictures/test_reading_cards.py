"""Cards drawn by the package, damaged and read back: never a silent error."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sets import first_line

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")

from deckwright.pictures.card.geometry import COLUMNS
from deckwright.pictures.reader.reading import read_card
from deckwright.pictures.show.cutouts import column_picture, printed_line, upright_card
from deckwright.pictures.simulator.simulate import CONDITIONS, simulate_card

SPARSE = np.array(
    [(0x800 >> (n % 12)) | (0x001 if n % 5 == 0 else 0) for n in range(80)], np.uint16
)
TEXT = "INVENTED TEXT 0123456789".ljust(80)
TURNS = {
    "": "upright",
    "upside down": "upside down",
    "back to front": "back to front",
    "both": "back to front and upside down",
}
SPOILT = {"tear", "clipped", "fold", "not a card"}


def silent(reading, patterns):
    return int(((reading.patterns != patterns) & reading.decided).sum())


LEGIBLE = sorted(set(CONDITIONS) - SPOILT)


@pytest.mark.parametrize("backing", ["dark", "light"])
@pytest.mark.parametrize("condition", first_line(LEGIBLE, *LEGIBLE[::4]))
def test_a_card_is_read_or_marked_in_every_condition(condition, backing):
    card = simulate_card(SPARSE, condition, text=TEXT, ppi=150, seed=21, backing=backing)
    reading = read_card(card.image, backs="read")
    assert silent(reading, card.patterns) == 0
    assert not reading.bad, reading.why
    # what lies below a stain that may be a label is asked
    most = 0.5 if "stain" in condition else 0.3
    assert reading.unsure_columns.mean() < most
    assert reading.facts.backing == backing


@pytest.mark.parametrize("ppi", first_line([150, 200, 300, 600], 200))
@pytest.mark.parametrize("backing", ["dark", "light"])
def test_an_ordinary_card_is_read_whole_at_any_resolution(ppi, backing):
    card = simulate_card(SPARSE, "ordinary", text=TEXT, ppi=ppi, seed=3, backing=backing)
    reading = read_card(card.image)
    assert not reading.needs_person, reading.why
    assert np.array_equal(reading.patterns, card.patterns)
    assert reading.facts.ppi == pytest.approx(ppi, rel=0.03)
    assert reading.why == "read"


@pytest.mark.slow
@given(
    patterns=st.lists(st.integers(0, 4095), min_size=80, max_size=80),
    seed=st.integers(0, 2**20),
    condition=st.sampled_from(["ordinary", "off centre", "pencil", "digits", "all at once"]),
)
@settings(max_examples=16, deadline=None)
def test_no_hole_pattern_is_ever_read_wrongly_in_silence(patterns, seed, condition):
    holes = np.array(patterns, np.uint16)
    card = simulate_card(holes, condition, ppi=150, seed=seed)
    reading = read_card(card.image)
    assert silent(reading, holes) == 0
    assert ((reading.probability >= 0) & (reading.probability <= 1)).all()


@pytest.mark.slow
@given(seed=st.integers(0, 2**20), strength=st.floats(1, 4))
@settings(max_examples=10, deadline=None)
def test_beyond_the_limits_a_card_is_marked_and_not_guessed(seed, strength):
    strengths = {"blur": strength, "noise": strength, "stain": strength}
    card = simulate_card(SPARSE, "ordinary", ppi=150, seed=seed, strengths=strengths)
    assert silent(read_card(card.image), card.patterns) == 0


def test_places_in_too_much_light_are_left_to_a_person():
    # the light of this card blots out a corner, paper and backing alike
    patterns = np.random.default_rng(3).integers(0, 4096, 80).astype(np.uint16)
    card = simulate_card(patterns, "light", ppi=200, seed=(11, 2933, 200))
    reading = read_card(card.image)
    assert silent(reading, patterns) == 0
    assert reading.unsure[-1, 0]
    assert not reading.unsure[:, 60:].any()


@pytest.mark.parametrize("turned", list(TURNS))
@pytest.mark.parametrize("sideways", [False, True])
def test_a_card_is_turned_upright(turned, sideways):
    image = simulate_card(SPARSE, "ordinary", ppi=150, seed=8).image
    if turned in {"upside down", "both"}:
        image = image[::-1, ::-1]
    if turned in {"back to front", "both"}:
        image = image[:, ::-1]
    if sideways:
        image = np.rot90(image)
    reading = read_card(np.ascontiguousarray(image), backs="back")
    assert np.array_equal(reading.patterns, SPARSE)
    assert not reading.needs_person
    if not sideways:  # else either of two ways may be called upright
        assert reading.facts.turn == TURNS[turned]


@pytest.mark.parametrize("turned", ["back to front", "both"])
def test_a_card_that_shows_its_back_by_its_cut_is_never_read_unasked(turned):
    """Fronts with the cut at the other corner look the same, and would be read mirrored."""
    image = simulate_card(SPARSE, "ordinary", ppi=150, seed=8).image
    image = np.ascontiguousarray(image[:, ::-1] if turned == "back to front" else image[::-1])
    asked = read_card(image)
    assert asked.side_asked
    assert not asked.decided.any()
    assert asked.facts.damages == ("which side",)
    assert np.array_equal(read_card(image, backs="back").patterns, SPARSE)
    told = read_card(image, backs="front")
    assert not told.needs_person
    assert np.array_equal(told.patterns, read_card(image, cut="upper right").patterns)
    assert np.array_equal(told.patterns, SPARSE[::-1])


@pytest.mark.parametrize("turned", ["", "upside down"])
def test_a_front_is_never_asked_about(turned):
    image = simulate_card(SPARSE, "ordinary", ppi=150, seed=8).image
    image = np.ascontiguousarray(image[::-1, ::-1] if turned else image)
    for backs in ("ask", "read", "front", "back"):
        reading = read_card(image, backs=backs)
        assert not reading.needs_person
        assert np.array_equal(reading.patterns, SPARSE)


def test_a_card_without_a_cut_corner_is_not_guessed():
    image = simulate_card(SPARSE & 0xFFE, "clean", ppi=150, seed=8, backing="dark").image.copy()
    paper = image[image.shape[0] // 2, 60]
    image[30:120, 34:90] = paper
    reading = read_card(image)
    assert reading.bad
    assert "which way up" in reading.facts.damages
    assert not read_card(image, cut="none").bad


def test_blank_and_banner_are_named():
    blank = read_card(simulate_card(SPARSE, "blank", ppi=150, seed=1).image)
    assert (blank.facts.kind, blank.facts.holes, blank.why) == ("blank", 0, "read: no holes")
    banner = read_card(simulate_card(SPARSE, "banner", ppi=150, seed=1).image)
    assert (banner.facts.kind, banner.bad) == ("banner", False)


@pytest.mark.parametrize("seed", range(6))
def test_a_torn_card_is_named(seed):
    card = simulate_card(SPARSE, "ordinary", ppi=150, seed=seed, strengths={"tear": 1.0})
    reading = read_card(card.image)
    assert "torn" in reading.facts.damages
    assert silent(reading, card.patterns) == 0


@pytest.mark.parametrize("seed", range(6))
def test_a_clipped_card_is_named(seed):
    card = simulate_card(SPARSE, "ordinary", ppi=150, seed=seed, strengths={"clipped": 0.8})
    reading = read_card(card.image)
    assert reading.bad
    assert {"clipped", "edge not seen", "out of shape", "torn"} & set(reading.facts.damages)


@pytest.mark.parametrize("seed", range(6))
def test_a_folded_corner_is_named(seed):
    card = simulate_card(SPARSE, "ordinary", ppi=150, seed=seed, strengths={"fold": 0.8})
    reading = read_card(card.image)
    assert reading.bad
    assert {"folded", "torn"} & set(reading.facts.damages)


@pytest.mark.parametrize("seed", range(8))
def test_what_is_not_a_card_is_named(seed):
    reading = read_card(simulate_card(SPARSE, "not a card", ppi=150, seed=seed).image)
    assert reading.bad
    assert reading.unsure.all()
    assert reading.facts.kind == "not a card"
    assert reading.why.startswith("not read: ")


@pytest.mark.parametrize("level", [0, 128, 255])
def test_an_even_picture_is_not_a_card(level):
    assert read_card(np.full((600, 1300, 3), level, np.uint8)).facts.kind == "not a card"


@given(
    size=st.tuples(st.integers(1, 300), st.integers(1, 700)),
    coloured=st.booleans(),
    seed=st.integers(0, 99),
)
@settings(max_examples=25, deadline=None)
def test_any_picture_gets_an_answer(size, coloured, seed):
    shape = (*size, 3) if coloured else size
    image = np.random.default_rng(seed).integers(0, 256, shape).astype(np.uint8)
    reading = read_card(image)
    assert reading.bad
    assert reading.unsure.shape == reading.probability.shape == (12, COLUMNS)


def test_a_grey_picture_reads_as_a_coloured_one():
    card = simulate_card(SPARSE, "ordinary", ppi=200, seed=5, backing="dark")
    grey = (card.image.astype(np.float64) @ [0.3, 0.6, 0.1]).round().astype(np.uint8)
    assert np.array_equal(read_card(grey).patterns, card.patterns)
    assert not read_card(grey).needs_person


def test_a_picture_without_margin_is_read_by_its_cut_corner_and_holes():
    card = simulate_card(SPARSE, "clean", ppi=200, seed=5, backing="dark")
    margin = round(6 * 200 / 25.4)
    reading = read_card(np.ascontiguousarray(card.image[margin:-margin, margin:-margin]))
    assert silent(reading, card.patterns) == 0
    assert np.array_equal(reading.patterns, card.patterns)


def test_an_array_that_is_no_picture_is_refused():
    with pytest.raises(ValueError, match="is not a picture of 8 bits a colour"):
        read_card(np.zeros((300, 600), np.float32))


def test_pieces_for_a_person_have_their_size_and_show_their_place():
    card = simulate_card(SPARSE, "ordinary", text=TEXT, ppi=200, seed=5, backing="dark")
    mapping = read_card(card.image).mapping
    assert mapping is not None
    assert printed_line(card.image, mapping).shape == (37, 1475, 3)
    assert upright_card(card.image, mapping).shape == (325, 738, 3)
    column = column_picture(card.image, mapping, 11)  # two holes: rows 8 and 9
    middle = column[:, column.shape[1] // 2].astype(int).sum(axis=1)
    assert (middle < 300).sum() > 30
    with pytest.raises(ValueError, match="a card has no column 81"):
        column_picture(card.image, mapping, 81)

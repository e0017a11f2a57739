"""Geometry, drawing, damages and the truth file."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")

from deckwright.pictures.card import geometry
from deckwright.pictures.simulator.cardplan import Orders
from deckwright.pictures.simulator.damage import DAMAGES
from deckwright.pictures.simulator.paint import hole_outlines, paint
from deckwright.pictures.simulator.scoring import read_truth, write_truth
from deckwright.pictures.simulator.simulate import CONDITIONS, Plan, invented_cards, simulate_card
from deckwright.pictures.simulator.warp import Bend, make_warp

NO_HOLES = np.zeros(80, np.uint16)
LACE = np.full(80, 0xFFF, np.uint16)


def test_places_are_where_the_standard_puts_them():
    # FIPS PUB 13 / ANSI X3.21-1967 (second hand), the block of holes centred on the card
    places = geometry.centres()
    assert places.shape == (12, 80, 2)
    assert places[0, 0] == pytest.approx([6.3754, 6.35])
    assert places[-1, -1] == pytest.approx([180.9496, 76.2])


def test_cut_corner_is_sixty_degrees_to_the_top_edge():
    cut = geometry.corner_points("upper left")[:2]
    step = cut[1] - cut[0]
    assert np.degrees(np.arctan2(-step[1], step[0])) == pytest.approx(60, abs=0.01)


@given(radius=st.floats(0.5, 8))
@settings(max_examples=20, deadline=None)
def test_rounded_corners_stay_within_the_card(radius):
    points = geometry.corner_points("none", radius)
    assert points.min() >= -1e-9
    assert (points <= np.array([geometry.CARD_WIDTH, geometry.CARD_HEIGHT]) + 1e-9).all()


def test_drawn_holes_have_the_size_of_the_standard():
    orders = Orders(LACE, shadow=0, blur=0, noise=0, grain=0, backing=(0, 0, 0), paper=(200,) * 3)
    picture = paint(orders, 300, np.random.default_rng(1))
    card = picture[..., 0].astype(float) / 200
    paper = card.sum() * (25.4 / 300) ** 2
    whole = geometry.CARD_WIDTH * geometry.CARD_HEIGHT
    cut = geometry.CUT_ALONG * geometry.CUT_DOWN / 2
    holes = 960 * geometry.HOLE_WIDTH * geometry.HOLE_HEIGHT
    assert paper == pytest.approx(whole - cut - holes, rel=0.01)


def test_holes_stray_no_further_than_the_limit_of_reading():
    for seed in range(5):
        orders = Orders(LACE)
        DAMAGES["off centre"](orders, np.random.default_rng(seed), 1.0)
        middles = hole_outlines(orders).mean(axis=1)
        nominal = hole_outlines(Orders(LACE)).mean(axis=1)
        assert np.abs(middles - nominal).max() <= geometry.READABLE_OFF + 1e-9


@given(skew=st.floats(-5, 5), ppi=st.integers(150, 600))
@settings(max_examples=25, deadline=None)
def test_a_turned_card_lies_within_its_picture(skew, ppi):
    warp, (height, width) = make_warp(ppi, skew, (0.03, 0.02), Bend(top=1.0), 5, "upside down")
    corners = warp(geometry.corner_points("none"))
    assert (corners > 0).all()
    assert (corners < [width, height]).all()


@pytest.mark.parametrize("name", sorted(DAMAGES))
def test_every_damage_changes_the_orders(name):
    changed = Orders(LACE.copy(), "TEXT", light=(0.9, 0.9, 0.9), tilt=(9.0, 9.0))
    DAMAGES[name](changed, np.random.default_rng(3), 0.8)
    assert repr(changed) != repr(Orders(LACE, "TEXT", light=(0.9, 0.9, 0.9), tilt=(9.0, 9.0)))


@pytest.mark.parametrize("condition", ["ordinary", "all at once", "fold", "not a card"])
def test_the_same_seed_gives_the_same_picture(condition):
    first = simulate_card(LACE, condition, ppi=150, seed=4)
    again = simulate_card(LACE, condition, ppi=150, seed=4)
    other = simulate_card(LACE, condition, ppi=150, seed=5)
    assert np.array_equal(first.image, again.image)
    assert not np.array_equal(first.image, other.image)


def test_a_planned_deck_comes_with_its_truth(tmp_path):
    deck = list(invented_cards(3, 1))
    plan = Plan(("ordinary", "blank", "upside down"), ppi=150, seed=2)
    cards = list(plan.cards(deck))
    path = tmp_path / "truth.csv"
    write_truth(path, [card.truth(name) for name, card in cards])
    rows = read_truth(path)
    assert [row["condition"] for row, _ in rows] == ["ordinary", "blank", "upside-down"]
    assert [row["picture"] for row, _ in rows] == ["card-000001", "card-000002", "card-000003"]
    assert np.array_equal(rows[0][1], deck[0][0])
    assert not rows[1][1].any()
    assert rows[2][0]["turned"] == "upside-down"


def test_invented_cards_are_the_same_for_a_seed():
    first, again, other = (list(invented_cards(4, seed)) for seed in (1, 1, 2))
    assert all(
        np.array_equal(a[0], b[0]) and a[1] == b[1] for a, b in zip(first, again, strict=True)
    )
    assert not np.array_equal(first[0][0], other[0][0])
    assert first[3][1] == ""  # punched by chance, no line


def test_a_truth_file_of_other_length_is_refused(tmp_path):
    path = tmp_path / "truth.csv"
    path.write_text("picture,patterns\na.png,123\n", encoding="utf-8")
    with pytest.raises(ValueError, match="3 hexadecimal digits are not 80 patterns"):
        read_truth(path)


def test_every_condition_names_known_damages():
    assert {name for parts in CONDITIONS.values() for name in parts} <= set(DAMAGES)

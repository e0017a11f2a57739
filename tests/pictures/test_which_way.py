"""Which way a card lies is known from print, or from a cut that a person has named; else asked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")

from deckwright.pictures.reader.orient import TURNS
from deckwright.pictures.reader.reading import read_card
from picture_help import holes_of
from pictures import rough_renderer as rough
from sets import first_line

LETTERS = "TWO SETS OF SUX WHEELS, WEST STORE, TESTED"
WAYS = [(1, 1), (-1, -1), (1, -1), (-1, 1)]
"""Steps down and along, in the order of TURNS."""


def laid(image: np.ndarray, turn: int) -> np.ndarray:
    """Return a picture as if the card lay so."""
    down, along = WAYS[turn]
    return np.ascontiguousarray(image[::down, ::along])


def drawn(seed: int, **options) -> tuple[np.ndarray, np.ndarray]:
    """Return a picture of a card and its holes."""
    patterns = np.random.default_rng(seed).choice([0, 1, 2, 4, 8, 16, 0x200, 0x402], 80)
    scene = rough.Scene(patterns.astype(np.uint16), np.random.default_rng(seed), **options)
    return rough.render(scene), patterns.astype(np.uint16)


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 1_000), cut=st.sampled_from(["upper left", "upper right"]))
@pytest.mark.parametrize("turn", first_line(range(4), 0, 3))
def test_printed_digits_tell_how_a_card_lies_whatever_its_cut(turn, seed, cut) -> None:
    picture, patterns = drawn(seed, cut=cut, digits=2.0)
    reading = read_card(laid(picture, turn), cut="ask")
    assert reading.facts.turn == TURNS[turn]
    assert not reading.bad, reading.why
    assert (reading.patterns == patterns)[reading.decided].all()


@pytest.mark.parametrize("cut", ["upper left", "upper right"])
@pytest.mark.parametrize("turn", range(4))
def test_without_print_the_cut_alone_reads_nothing_until_a_person_has_said_more(turn, cut) -> None:
    picture, patterns = drawn(3, cut=cut)
    picture = laid(picture, turn)
    reading = read_card(picture, cut="ask")
    assert reading.facts.damages == ("which cut",)
    assert reading.side_asked
    assert not reading.decided.any()
    seen = "back" if turn > 1 else "front"
    for told in ({"cut": "ask", "backs": seen}, {"cut": cut, "backs": "read"}):
        again = read_card(picture, **told)
        assert not again.bad, again.why
        assert np.array_equal(again.patterns, patterns)


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_print_speaks_against_a_card_that_is_taken_as_it_lies(turn) -> None:
    picture, _ = drawn(3, cut="none", digits=2.0)
    reading = read_card(laid(picture, turn), cut="none")
    assert reading.facts.damages == ("print against it",)
    assert f"lies {TURNS[turn]}" in reading.why
    assert not read_card(picture, cut="none").bad


def test_print_speaks_against_the_side_that_a_person_names() -> None:
    picture, _ = drawn(3, digits=2.0)
    assert read_card(picture, cut="ask", backs="back").facts.damages == ("print against it",)
    assert not read_card(picture, cut="ask", backs="front").bad


def test_print_speaks_against_a_card_that_is_cut_at_a_lower_corner() -> None:
    """By its cut alone it would be taken for one that lies upside down."""
    picture, _ = drawn(3, cut="upper right", digits=2.0)
    upside = laid(picture, 1)
    assert not read_card(upside, cut="upper right").bad
    against = read_card(laid(picture, 3), cut="upper left", backs="back")
    assert against.bad or against.facts.turn == TURNS[3]


def punched(text: str) -> np.ndarray:
    """Return the picture of a card without cut and print that has these characters."""
    scene = rough.Scene(holes_of(text), np.random.default_rng(3), cut="none")
    return rough.render(scene)


@pytest.mark.parametrize("turn", [1, 3])
@pytest.mark.parametrize("text", [LETTERS, "A CABIN, 12 BEDS, ICE BAG"])
def test_letters_speak_against_a_card_that_lies_upside_down(text, turn) -> None:
    reading = read_card(laid(punched(text), turn), cut="none")
    assert reading.facts.damages == ("holes upside down",)
    again = read_card(punched(text), cut="none")
    assert not again.bad
    assert np.array_equal(again.patterns, holes_of(text))


def test_digits_that_are_legal_either_way_raise_no_doubt() -> None:
    assert not read_card(punched("0123456789" * 7), cut="none").bad

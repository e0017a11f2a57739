"""What a terminal shows: nothing cut, nothing wider than it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.cli.shared.progress import progress_line
from deckwright.examine.deck import examine, type_name
from deckwright.examine.show.terminal import lines
from deckwright.report.drawing.text import card_lines
from deckwright.report.model import CardLine

quick = settings(max_examples=60, deadline=None)

COUNTS = st.integers(0, 10**7)


@quick
@given(COUNTS, COUNTS, st.integers(10, 200), st.booleans())
def test_a_line_of_progress_fits_and_counts_in_thousands(done, total, width, plain):
    line = progress_line("decode, sort", min(done, total), total, width=width, plain=plain)
    assert len(line) <= width
    assert "\n" not in line
    if width > 60:
        assert f"{min(done, total):,}" in line
        assert not total or f"of {total:,} cards" in line
    assert not plain or line.isascii()


@quick
@given(st.integers(0, 100))
def test_the_columns_of_progress_are_punched_as_far_as_the_work_has_come(done):
    line = progress_line("sort", done, 100, width=100)
    assert line.count("\u25ae") + line.count("\u00b7") == 40
    assert line.count("\u25ae") == done * 40 // 100


def card(text: str, fields=(), marks=()) -> CardLine:
    patterns = np.array([0 if sign == " " else 0x200 for sign in text.ljust(80)], np.uint16)
    return CardLine(1, patterns, text, marks, "cards.txt", 1, fields)


@quick
@given(st.integers(0, 80), st.sampled_from([80, 100, 120]))
def test_no_empty_half_of_a_card_is_drawn(used, width):
    drawn = card_lines(card("1" * used), width)
    assert all(len(line) <= width for line in drawn)
    halves = sum(line.startswith("12 ") for line in drawn)
    assert halves == (2 if used + 5 > width else 1)
    assert sum(line.count("1" * min(used, 40)) for line in drawn) >= (1 if used else 0)


def test_a_name_that_does_not_fit_is_a_number_in_the_list_of_fields():
    fields = ((1, 2, "station"), (3, 20, "remarks"), (21, 21, "flag"))
    drawn = card_lines(card("123", fields), 80)
    assert drawn[1].startswith("    \u25021\u2502remarks ")
    assert "fields: 1 station 1\u20132, 2 remarks 3\u201320, 3 flag 21" in "\n".join(drawn)
    assert "fields:" not in "\n".join(card_lines(card("123", fields), 80, legend=False))


@pytest.fixture(scope="module")
def examined(tmp_path_factory):
    deck = tmp_path_factory.mktemp("examined") / "deck.txt"
    cards = [f"{number:05}{number % 7:03}NAME{number % 5}" for number in range(300)]
    cards[77] = "0007X%%%%"
    deck.write_text("".join(f"{one:<80}\n" for one in cards), "ascii")
    return examine([deck])


@pytest.mark.parametrize("width", [80, 100, 120])
@pytest.mark.parametrize("plain", [False, True])
def test_carets_stand_below_their_card_in_any_width(examined, width, plain):
    told = ["".join(text for text, _ in line) for line in lines(examined, width=width, plain=plain)]
    assert all(len(line) <= width for line in told)
    assert all(line.isascii() for line in told) or not plain
    under = next(place for place, line in enumerate(told) if set(line) == {" ", "^"})
    above = told[under - 1]
    marked = "".join(sign for sign, mark in zip(above, told[under], strict=False) if mark == "^")
    odd = next(card for card in examined.drawn if card.marks)
    assert marked == "".join(odd.text[first - 1 : last] for first, last, _ in odd.marks)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        (("1", "2"), "type_1_2"), (("R",), "type_r"), ((" ",), "type_blank"),
        (("%",), "type_number_4"), (tuple("0123456789"), "type_number_4"),
    ],
)  # fmt: skip
def test_a_card_type_has_a_name_that_can_be_said(values, name):
    assert type_name(values, 4) == name

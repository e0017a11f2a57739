"""Drawn cards: every hole in its place, to scale, small, and safe in any page."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.report.drawing import cards
from deckwright.report.drawing.cards import (
    COLUMNS,
    CUT_ALONG,
    CUT_DOWN,
    PRINT_BASE,
    card_scene,
    column_centre,
    draw_card,
)
from deckwright.report.drawing.scene import Area, Letters
from drawing_help import BLANK, MARKS, PATTERNS, SVG, drawn, holes_of, texts


def printed_line(svg: str) -> ET.Element | None:
    found = [n for n in drawn(svg).iter(f"{SVG}text") if n.get("y") == str(PRINT_BASE)]
    return found[0] if found else None


@settings(max_examples=60, deadline=None)
@given(PATTERNS)
def test_every_hole_and_no_other_is_drawn(patterns):
    assert np.array_equal(holes_of(draw_card(patterns)), patterns)


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=80), st.text(max_size=60))
def test_any_text_gives_a_well_formed_drawing(text, sentence):
    svg = draw_card(BLANK, text, [(3, 4, sentence)], title=text)
    shown = printed_line(svg)
    if shown is not None:
        assert len(shown.get("x").split()) == len("".join(shown.itertext()))


@settings(max_examples=60, deadline=None)
@given(MARKS)
def test_brackets_of_one_level_never_touch(marks):
    svg = draw_card(BLANK, "", marks)
    levels: dict[str, list[tuple[float, float]]] = {}
    rings = list(drawn(svg).iter(f"{SVG}circle"))
    assert len(rings) == len(marks)
    for ring in rings:
        middle, radius = float(ring.get("cx")), float(ring.get("r"))
        levels.setdefault(ring.get("cy"), []).append((middle - radius, middle + radius))
    for spans in levels.values():
        spans.sort()
        assert all(a[1] < b[0] for a, b in pairwise(spans))


@settings(max_examples=30, deadline=None)
@given(MARKS)
def test_each_fault_is_bracketed_numbered_hatched_and_explained(marks):
    svg = draw_card(BLANK, "", marks, ident="c7")
    assert svg.count("url(#c7-hatch)") == len({mark[:2] for mark in marks})
    shown = texts(svg)
    for number, (first, last, sentence) in enumerate(marks, 1):
        where = f"column {first}" if first == last else f"columns {first}\u2013{last}"
        assert shown.count(str(number)) >= 2
        assert f"{where}: {sentence}" in shown


@pytest.mark.parametrize(
    ("drawn", "millimetres"),
    [
        # ANSI/AIIM MS41-1996, clause 4.3.1, citing ANSI X3.11
        (cards.WIDTH, 187.325),
        (cards.HEIGHT, 82.55),
        # FIPS PUB 13 / ANSI X3.21-1967, second hand
        (cards.COLUMN_PITCH, 2.2098),
        (cards.ROW_PITCH, 6.35),
        (cards.HOLE_WIDTH, 1.397),
        (cards.HOLE_HEIGHT, 3.175),
        # derived from those by centring the holes on the card
        (column_centre(1), 6.3754),
        (column_centre(80), 180.9496),
        (cards.FIRST_ROW, 6.35),
    ],
)
def test_the_drawing_is_to_scale(drawn, millimetres):
    assert drawn * 0.0254 == pytest.approx(millimetres, abs=1e-9)


def test_the_printed_line_stands_over_its_own_columns():
    shown = printed_line(draw_card(BLANK, "A  B" + " " * 75 + "C"))
    assert "".join(shown.itertext()) == "ABC"
    assert [int(x) for x in shown.get("x").split()] == [251, 251 + 3 * 87, 251 + 79 * 87]


def test_a_card_with_every_hole_stays_small():
    laced = np.full(COLUMNS, 0xFFF, np.uint16)
    marks = [(column, column + 3, "a sentence of a usual length") for column in range(1, 41, 8)]
    assert len(draw_card(laced, "&" * 80, marks).encode()) < 14_000
    assert len(draw_card(laced, "W" * 80).encode()) < 12_000


def test_a_character_that_cannot_be_shown_is_printed_as_a_sign():
    shown = printed_line(draw_card(BLANK, "A\ufffd\x1aB"))
    assert "".join(shown.itertext()) == "A▯▯B"


def test_a_reason_for_the_whole_card_has_no_bracket():
    svg = draw_card(BLANK, "", [(0, 0, "no station of this number")])
    assert "<circle" not in svg
    assert "-hatch)" not in svg
    assert "card: no station of this number" in texts(svg)


def test_a_mark_that_runs_past_the_card_ends_with_the_card():
    svg = draw_card(BLANK, "", [(79, 90, "too far"), (95, 99, "elsewhere")])
    assert svg.count("<circle") == 1
    assert f"h{2 * 87}v3000" in svg


def test_long_sentences_are_broken_into_lines():
    svg = draw_card(BLANK, "", [(1, 1, "word " * 60)])
    lines = [text for text in texts(svg) if "word" in text]
    assert len(lines) > 2
    assert max(map(len, lines)) <= 96


def test_a_record_of_another_length_is_refused():
    with pytest.raises(ValueError, match="80 columns"):
        draw_card(np.zeros(79, np.uint16))


def test_nothing_is_fetched():
    svg = draw_card(BLANK, "A", [(1, 1, "x")], title="t")
    assert re.findall(r"https?://[^\"]*", svg) == ["http://www.w3.org/2000/svg"]
    assert "href" not in svg
    assert "<script" not in svg


def test_the_printed_line_touches_neither_the_corner_cut_nor_the_frame_of_a_fault() -> None:
    scene = card_scene(BLANK, "M" * 80, [(1, 3, "odd")])
    (line,) = [shape for shape in scene.shapes if isinstance(shape, Letters)]
    left, top = line.middles[0] - 0.31 * line.size, line.base - 0.73 * line.size
    assert top > 0
    assert left > CUT_ALONG * (1 - top / CUT_DOWN) + 14  # the edge is 14 wide
    frames = [shape for shape in scene.shapes if isinstance(shape, Area) and shape.hatch]
    highest = min(down for frame in frames for run in frame.outlines for _, down in run)
    assert line.base < highest - 7

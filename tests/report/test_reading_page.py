"""The reading report of a deck of pictures: adds up, fetches nothing, lets nothing out of place."""

from __future__ import annotations

import base64
import hashlib
import re
import struct
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deckwright.report.drawing.embedding import embedded
from deckwright.report.pages.readingmap import STEPS, doubt_map, doubt_scale, holes_map
from deckwright.report.pages.readingpage import (
    BAD,
    LOOK,
    READ,
    PrintedLine,
    ReadingPage,
    ShownCard,
    ShownColumn,
    reading_page,
)
from deckwright.report.pages.readingpieces import (
    HOLE_FROM,
    PAPER_TO,
    card_picture,
    column_picture,
    line_picture,
)
from drawing_help import png
from strategies import NASTY

VOID = {"meta", "img", "wbr", "br"}


def jpeg_head(width: int, height: int) -> bytes:
    """Return the start of a JPEG with a comment before its frame. Source: ITU-T T.81, annex B."""
    comment = b"\xff\xfe" + struct.pack(">H", 6) + b"\xff\xc0ab"
    frame = b"\xff\xc0" + struct.pack(">HBHHB", 11, 8, height, width, 1) + b"\x01\x11\x00"
    return b"\xff\xd8" + comment + frame


class Checker(HTMLParser):
    """Follows tags and collects what stands in them."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.named: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.handle_startendtag(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.named += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def places(value, dtype=np.float64):
    return np.full((12, 80), value, dtype)


def one_unsure():
    unsure = places(0, np.int64)
    unsure[2, 16] = 5
    return unsure


PROBABILITY = (0.0001, 0.5, 0.99995, *([0.001] * 8), 0.969)
PAGE = ReadingPage(
    deck="box 7",
    cards=3,
    read=1,
    look=1,
    bad=1,
    silent_limit=2e-6,
    facts=(("lay upside down", 2), ("torn", 1)),
    holes=places(0.25),
    doubt=places(0.002),
    unsure=one_unsure(),
    shown=(
        ShownCard(1, "a.png", png(), READ, "read"),
        ShownCard(2, "b.png", png(), LOOK, "please look at column 17"),
        ShownCard(3, "c.png", b"", BAD, "paper is missing; please check the card"),
    ),
    worst=(ShownColumn(2, 17, "b.png", png(), PROBABILITY, "row 11 unsure"),),
    printed=(
        PrintedLine(1, "a.png", png(), "HILL 17".ljust(80), "HILL I8".ljust(80)),
        PrintedLine(2, "b.png", png(), "MILL".ljust(80), ""),
    ),
)


@settings(max_examples=25, deadline=None)
@given(NASTY)
@example("card\ud800.png")
def test_whatever_stands_in_a_name_the_page_is_whole_and_runs_nothing(text):
    page = replace(
        PAGE,
        deck=text,
        facts=((text, 1),),
        shown=tuple(ShownCard(1, text, png(), state, text) for state in (READ, LOOK, BAD)),
        worst=(ShownColumn(1, 1, text, png(), PROBABILITY, text),),
        printed=(PrintedLine(1, text, png(), text, text),),
    )
    made = reading_page(page)
    made.encode("utf-8")
    found, plain = Checker(made), Checker(reading_page(PAGE))
    assert set(found.tags) <= set(plain.tags)
    assert not [name for name, _ in found.named if name.startswith("on")]
    assert {name for name, _ in found.named} <= {name for name, _ in plain.named}
    assert made.count("</style>") == made.count("<style>") == 1


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(0, 10**6))
def test_the_verdict_adds_up_as_the_data_do(read, look, bad):
    made = reading_page(
        replace(PAGE, cards=read + look + bad, read=read, look=look, bad=bad, shown=())
    )
    numbers = re.findall(r'class="big">([\d,]+)<', made)[:4]
    total, *parts = (int(number.replace(",", "")) for number in numbers)
    assert total == sum(parts)
    assert parts == [read, look, bad]
    assert "do not add up" not in made
    assert ("nothing is left to look at" in made) == (look == bad == 0 < read)


@given(st.integers(-3, 3).filter(bool))
def test_counts_that_do_not_add_up_are_said_aloud(off):
    made = reading_page(replace(PAGE, cards=3 + off))
    assert "The counts do not add up. Do not use this reading." in made
    assert 'class="verdict bad"' in made


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.floats(0, 1, allow_nan=False), min_size=12, max_size=12),
    st.lists(st.booleans(), min_size=12, max_size=12) | st.just([]),
)
def test_each_place_of_a_column_has_its_figure_and_what_is_unsure_is_asked(chances, unsure):
    picture = column_picture(png(), chances, unsure, "a column")
    figures = [unescape(part) for part in re.findall(r"<text[^>]*>([^<]*%[^<]*)</text>", picture)]
    asked = unsure or [PAPER_TO < chance < HOLE_FROM for chance in chances]
    assert [figure.endswith("?") for figure in figures] == asked
    for figure, chance in zip(figures, chances, strict=True):
        number = float(re.sub(r"[<>%? ]", "", figure))
        near = 0.5001 if 0.01 <= chance <= 0.99 else 0.1001  # as `wording.percent` rounds
        assert number == pytest.approx(100 * chance, abs=near)
        assert (figure.rstrip(" ?") in {"0 %", "100 %"}) == (chance in {0, 1})


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 0.5), st.floats(0, 0.5))
def test_more_doubt_is_never_drawn_lighter_or_smaller(one, other):
    def drawn(doubt):
        doubts = places(0.0)
        doubts[4, 4] = doubt
        marks = re.findall(
            r'<path d="([^"]*)" fill="(#\w{6})"/>', doubt_map(doubts, places(0, np.int64))
        )
        path, shade = marks[-1] if len(marks) > 2 else marks[1]
        wide, high = (float(part) for part in re.search(r"h(\d+)v(\d+)h", path).groups())
        light = sum(int(shade[at : at + 2], 16) for at in (1, 3, 5))
        return wide, high, -light

    low, high = sorted((one, other))
    assert all(a <= b for a, b in zip(drawn(low), drawn(high), strict=True))


def test_the_scale_names_each_step_with_a_number():
    words = Checker(doubt_scale()).text
    assert all(f"{100 * step:g} %" in words for step in STEPS)


def test_an_unsure_place_is_framed_counted_and_named():
    drawing = doubt_map(places(0.0), one_unsure())
    assert drawing.count("column 17, row 0: unsure on 5 cards") == 1
    assert "column 17, row 0 (5)" in reading_page(PAGE)
    assert drawing.count('stroke-width="11"') == 1
    assert 'stroke-width="11"' not in doubt_map(places(0.0), places(0, np.int64))


def test_the_map_of_holes_fills_each_place_by_its_share():
    holes = places(0.0)
    holes[0, 0], holes[11, 79] = 1.0, 0.5
    filled = re.findall(r"v(\d+)h-61z", holes_map(holes))
    assert [int(part) for part in filled] == [190, 95]


@pytest.mark.parametrize("value", [0.0, 1.0, np.nan])
def test_maps_can_be_drawn_of_any_deck_even_an_empty_one(value):
    empty = ReadingPage(
        "none", 0, 0, 0, 0, 0.0, (), places(value), places(value), places(0, np.int64)
    )
    found = Checker(reading_page(empty))
    assert "There was no picture to read." in found.text
    assert "No place of any card was unsure".lower() in found.text.lower()


def test_the_page_fetches_nothing_and_forbids_to():
    made = reading_page(PAGE)
    found = Checker(made)
    addresses = [value for name, value in found.named if name in {"src", "href", "data", "action"}]
    fetched = [value for value in addresses if value.startswith("data:image/png;base64,")]
    assert fetched
    # a page in the run folder that is led to, and is not fetched unless somebody asks for it
    assert {value for value in addresses if value not in fetched} == {"../control.html"}
    assert ("href", "../control.html") in found.named
    assert not {"script", "link", "iframe", "object", "form", "base"} & set(found.tags)
    assert "style" not in {name for name, _ in found.named}
    assert "url(" not in made
    assert set(re.findall(r"https?://[^\"')]*", made)) == {"http://www.w3.org/2000/svg"}
    policy = unescape(re.search(r'Policy" content="([^"]*)"', made)[1])
    assert policy.startswith("default-src 'none'; img-src data:; ")
    style = re.search("<style>(.*?)</style>", made, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy  # source: W3C CSP Level 3, section 2.3.1


def test_states_are_told_by_word_and_sign_and_the_worst_come_first():
    made = reading_page(PAGE)
    heads = re.findall(r"<h3>(<svg.*?</svg>) ([^<]*)</h3>", made)
    assert [word for _, word in heads] == ["Not readable: 1", "To be looked at: 1", "Read: 1"]
    assert len({sign for sign, _ in heads}) == 3
    assert "paper is missing; please check the card" in made
    assert "no picture" in made


def test_characters_that_differ_are_boxed_and_those_that_look_alike_are_not():
    def boxes(read, seen):
        return line_picture(png(), read.ljust(80), seen, "a line").count('stroke-width="15"')

    assert boxes("HILL 17", "HILL 18") == 1
    assert boxes("HILL 17", "HILL I7") == 0
    assert boxes("HILL 17", "HI   17") == 0
    assert boxes("H", "H 5") == 1
    assert boxes("HILL", "") == 0
    assert "printed" not in line_picture(png(), "HILL", "", "a line")


def test_each_shown_thing_is_on_the_page():
    text = Checker(reading_page(PAGE)).text
    for part in ("a.png", "Card 2, column 17", "row 11 unsure", "lay upside down", "67 %"):
        assert part in text
    assert "2 of 1,000,000 columns were read wrongly without a warning" in text
    assert "In measurements" not in reading_page(replace(PAGE, silent_limit=0.0))


def test_the_same_data_give_the_same_bytes():
    assert reading_page(PAGE) == reading_page(replace(PAGE))


def test_a_state_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="a card is one of read, look, bad"):
        ShownCard(1, "a.png", b"", "fine", "")


@given(st.integers(1, 65535), st.integers(1, 65535))
def test_the_size_of_a_picture_is_read_from_its_head(width, height):
    for data, kind in ((png()[:16], None), (jpeg_head(width, height), "jpeg")):
        found = embedded(data)
        assert (found and (found.kind, found.width, found.height)) == (
            kind and (kind, width, height)
        )
    head = png()[:16] + struct.pack(">II", width, height) + png()[24:]
    found = embedded(head)
    assert found is not None
    assert (found.kind, found.width, found.height) == ("png", width, height)


@given(st.binary(max_size=60) | st.binary(max_size=40).map(lambda rest: b"\xff\xd8" + rest))
def test_bytes_that_are_no_picture_do_no_harm(data):
    shown = card_picture(data, "a card")
    found = embedded(data)
    assert ("no picture" in shown) == (found is None)
    Checker(shown)


def test_the_page_draws_as_unsure_what_the_reader_calls_unsure():
    pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")
    from deckwright.pictures.reader import decide  # noqa: PLC0415 # an extra

    assert (HOLE_FROM, PAPER_TO) == (decide.HOLE_FROM, decide.PAPER_TO)

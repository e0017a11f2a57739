"""Fields above a card, cards on pages, cards on a terminal, and the page of returned cards."""

from __future__ import annotations

import re
from html import unescape
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.engine.closing.returnedgroups import MOST_DRAWN
from deckwright.jobs.layouts import LayoutSpec
from deckwright.layout.reading import Layout
from deckwright.report.drawing.cards import HEIGHT, WIDTH, card_scene, column_centre, draw_card
from deckwright.report.drawing.fields import field_brackets, fields_of
from deckwright.report.drawing.notes import fault_sentence, notes_on, patterns_of, printed_of
from deckwright.report.drawing.scene import MILLIMETRES, Group, Lines, Words
from deckwright.report.drawing.sheets import PAPERS, contact_pages, first_fault, true_size_pages
from deckwright.report.drawing.svg import to_svg
from deckwright.report.drawing.text import HOLE, card_lines
from deckwright.report.model import CardLine, ReturnedGroup
from deckwright.report.pages.returned import returned_page
from drawing_help import BLANK, FIELDS, MARKS, PATTERNS, line, png, texts

EBCDIC = load_code("ebcdic")


@settings(max_examples=60, deadline=None)
@given(FIELDS)
def test_every_field_is_named_over_its_columns(fields) -> None:
    height, shapes = field_brackets(fields, column_centre)
    names = [item for shape in shapes if isinstance(shape, Words) for item in shape.items]
    assert sorted(name for _, _, name in names) == sorted(name for _, _, name in fields)
    runs = [run for shape in shapes if isinstance(shape, Lines) for run in shape.runs]
    spans = sorted((run[0][0] + 34, run[-1][0] - 34) for run in runs)
    assert spans == sorted((column_centre(a), column_centre(b)) for a, b, _ in fields)
    assert all(-height <= down < 0 for _, down, _ in names)
    for level in {run[1][1] for run in runs}:
        beside = sorted((run[0][0], run[-1][0]) for run in runs if run[1][1] == level)
        assert all(a[1] < b[0] for a, b in pairwise(beside))


def test_a_field_beyond_the_card_is_left_out_and_one_that_runs_past_it_ends_with_it() -> None:
    _, shapes = field_brackets([(81, 90, "beyond"), (79, 90, "past")], column_centre)
    runs = [run for shape in shapes if isinstance(shape, Lines) for run in shape.runs]
    assert [(run[0][0] + 34, run[-1][0] - 34) for run in runs] == [
        (column_centre(79), column_centre(80))
    ]


def test_without_fields_a_card_takes_no_room_above_it() -> None:
    assert card_scene(BLANK).top == -20
    assert card_scene(BLANK, fields=[(1, 9, "item")]).top < -100


def test_fields_are_those_of_the_type_of_the_card() -> None:
    spec = LayoutSpec.model_validate(
        {
            "card": [
                {"name": "head", "when": [{"columns": "1", "is": ["H"]}],
                 "field": [{"name": "title", "columns": "2-9", "kind": "text"}]},
                {"name": "item", "when": [{"columns": "1", "is": ["I"]}],
                 "field": [{"name": "fall_{n}", "columns": "2-3", "kind": "whole", "repeat": 2}]},
            ],
        }
    )  # fmt: skip
    text = np.frombuffer(b"HAB IAB XAB ", np.uint8).reshape(3, 4)
    found = fields_of(Layout(spec, "two"), text)
    assert found == [
        ((2, 9, "title"),), ((2, 3, "fall_1"), (4, 5, "fall_2")), (),
    ]  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(st.lists(MARKS, min_size=1, max_size=7), st.sampled_from(sorted(PAPERS)))
def test_cards_on_a_sheet_are_of_true_size_and_never_touch(marks, name) -> None:
    paper = PAPERS[name]
    cards = [line(n, BLANK, marks=one) for n, one in enumerate(marks, 1)]
    pages = true_size_pages(cards, paper, "A deck")
    placed = 0
    for page in pages:
        assert (page.width, page.height) == (paper.width, paper.height)
        low = 0.0
        for group in page.shapes:
            if isinstance(group, Group) and group.bounds:
                placed += 1
                assert group.scale == 1
                left, top, right, bottom = group.bounds
                assert low < group.move[1] + top
                assert group.move[0] + left >= 0
                assert group.move[0] + right <= paper.width
                low = group.move[1] + bottom
        assert low < paper.height - 100
    assert placed == len(cards)


@pytest.mark.parametrize("name", sorted(PAPERS))
def test_three_cards_fit_on_a_sheet(name) -> None:
    cards = [line(number, BLANK) for number in range(1, 7)]
    assert len(true_size_pages(cards, PAPERS[name])) == 2


def test_paper_is_as_large_as_its_standard_says() -> None:
    # ISO 216: A4 is 210 x 297 mm
    a4 = PAPERS["a4"]
    assert (a4.width * MILLIMETRES, a4.height * MILLIMETRES) == pytest.approx((210, 297))
    svg = to_svg(true_size_pages([line(1, BLANK)], a4)[0])
    assert 'width="210.000mm" height="297.000mm"' in svg


def test_a_card_with_more_reasons_than_a_page_has_room_for_says_so() -> None:
    marks = [(1, 1, f"reason {number}") for number in range(200)]
    page = true_size_pages([line(1, BLANK, marks=marks)], PAPERS["letter"])[0]
    said = texts(to_svg(page))
    assert any("lines more than this page has room" in text for text in said)


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 40), st.integers(1, 12), st.sampled_from(sorted(PAPERS)))
def test_a_contact_sheet_shows_every_card_once_and_within_the_page(count, a_row, name) -> None:
    cards = [line(n, BLANK, marks=[(1, 2, "a fault"), (3, 3, "one more")]) for n in range(count)]
    pages = contact_pages(cards, a_row, PAPERS[name], "Returned")
    names = [text for page in pages for text in texts(to_svg(page)) if text.startswith("Card ")]
    assert names == [f"Card {n}" for n in range(count)]
    for page in pages:
        for group in page.shapes:
            if isinstance(group, Group):
                right = group.move[0] + WIDTH * group.scale
                assert right <= page.width
                assert group.move[1] + HEIGHT * group.scale < page.height


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.integers(1, 60), min_size=1, max_size=20), st.integers(1, 12), st.integers(0, 60)
)
def test_a_contact_sheet_says_the_whole_of_the_first_fault_and_of_the_name(
    lengths, a_row, letters
) -> None:
    deck = "d" * letters
    said = [" ".join(f"w{n}.{word}" for word in range(most)) for n, most in enumerate(lengths)]
    cards = [
        line(n, BLANK, marks=[(1, 2, what)], deck=deck, place=n + 1) for n, what in enumerate(said)
    ]
    pages = contact_pages(cards, a_row, PAPERS["a4"], "Returned")
    written = "".join("".join(texts(to_svg(page))) for page in pages).replace(" ", "")
    for what in said:
        assert f"columns1\u20132:{what}".replace(" ", "") in written.replace("\u2026", "?")
    for card in cards:
        assert card.name.replace(" ", "") in written
    for page in pages:
        rows = sorted(
            (group.move[1], group.move[1] + HEIGHT * group.scale)
            for group in page.shapes
            if isinstance(group, Group)
        )
        lowest = max(down for each in page.shapes if isinstance(each, Words)
                     for _, down, text in each.items if not text.startswith("page "))  # fmt: skip
        assert lowest < page.height - 100
        below = [
            down for each in page.shapes if isinstance(each, Words) for _, down, _ in each.items
        ]
        assert not any(top < down < bottom for down in below for top, bottom in rows)


def test_a_fault_too_long_for_a_page_is_cut_off_with_a_sign() -> None:
    cards = [line(1, BLANK, marks=[(1, 2, "word " * 3_000)])]
    (page,) = contact_pages(cards, 12, PAPERS["a4"])
    assert any(text.endswith("\u2026") for text in texts(to_svg(page)))


def test_the_first_fault_tells_how_many_more_there_are() -> None:
    marks = [(3, 4, "odd"), (0, 0, "no station"), (5, 5, "even")]
    assert first_fault(line(1, BLANK, marks=marks)) == "columns 3\u20134: odd (and 2 more)"
    assert first_fault(line(1, BLANK, marks=marks[1:2])) == "card: no station"
    assert first_fault(line(1, BLANK)) == ""


@settings(max_examples=40, deadline=None)
@given(PATTERNS, MARKS, FIELDS, st.sampled_from([60, 85, 200]), st.booleans())
def test_the_holes_on_a_terminal_are_those_of_the_card(
    patterns, marks, fields, width, plain
) -> None:
    card = line(7, patterns, text="A \u00e9 CARD", marks=marks, fields=tuple(fields))
    lines = card_lines(card, width, plain=plain)
    assert max(map(len, lines)) <= max(width, 45)
    found = np.zeros(80, np.uint16)
    seen: dict[str, str] = {}
    for text in lines:
        row = re.match(r"^ ?(\d+) [\u2502|](.*)[\u2502|]$", text)
        if row:
            seen[row[1]] = seen.get(row[1], "") + row[2]
    for place, drawn in enumerate(seen.values()):
        cells = drawn.ljust(80)  # what holds nothing at the end may be left out
        holes = [cell == ("#" if plain else HOLE) for cell in cells]
        found |= np.where(holes, np.uint16(0x800 >> place), np.uint16(0)).astype(np.uint16)
    assert np.array_equal(found, patterns)
    assert not plain or all(text.isascii() for text in lines)


def test_marks_that_are_questions_are_framed_and_not_hatched() -> None:
    svg = draw_card(BLANK, "", [(1, 2, "fatal"), (5, 6, "query: look")], asked={2})
    assert svg.count("url(#card-hatch)") == 1
    assert "columns 5\u20136: query: look" in texts(svg)
    both = draw_card(BLANK, "", [(1, 2, "query: look"), (1, 2, "fatal")], asked={1})
    assert both.count("url(#card-hatch)") == 1


def test_columns_that_are_no_character_are_explained() -> None:
    holes = np.array([0x900, 0x380, 0x380, 0xFFF], np.uint16)
    text = np.array([ord("A"), 0x1A, 0x1A, 0x1A], np.uint8)
    (note,) = notes_on(text, holes, EBCDIC)
    names = "(0-1-2, 12-11-0-1-2-3-4-5-6-7-8-9)"
    said = f"no character of code 'ebcdic' {names}; printed as \u25af"
    assert note == f"columns 2\u20134: {said}"
    assert patterns_of(text, holes, EBCDIC).tolist() == [*holes.tolist(), *[0] * 76]
    assert printed_of(text, EBCDIC) == "A\u25af\u25af\u25af"


def test_a_character_without_holes_is_told_and_not_taken_for_a_blank() -> None:
    code = load_code("cp1252")
    text = np.frombuffer(code.alphabet.encode("A\u00e9"), np.uint8)
    assert patterns_of(text, None, code).tolist()[:2] == [0x900, 0]
    assert notes_on(text, None, code) == [
        "column 2: no holes in code 'cp1252', so that none are drawn"
    ]


def test_a_plain_card_needs_no_note() -> None:
    text = np.frombuffer(b"A CARD 0123", np.uint8)
    assert notes_on(text, None, EBCDIC) == []


def test_a_reason_is_told_with_what_was_found_unless_that_is_long() -> None:
    row = {"field": "item", "detail": "should be digits", "reason": "x", "found": "0\x1a X"}
    assert fault_sentence(row) == "item is '0\u25af\u2423X': should be digits"
    assert fault_sentence({**row, "field": "", "found": "9" * 40}) == "should be digits"
    assert fault_sentence({**row, "detail": "", "found": None}) == "item: x"


def group(cards, count: int = 0, **more) -> ReturnedGroup:
    """Return a reason with these cards drawn, of `count` in all."""
    return ReturnedGroup(2, "odd", "item", "must be even", count or len(cards), cards, **more)


def test_the_page_of_returned_cards_shows_each_with_holes_line_and_reasons() -> None:
    patterns = np.array([0x801, *[0] * 78, 0x200], np.uint16)
    cards = [
        line(3, patterns, text="AB<D", marks=[(2, 4, "<odd>")] * 5),
        line(9, None, text="x" * 85, marks=[(82, 83, "too long")]),
    ]
    page = returned_page("A & B", [group(cards)], 2)
    assert "All 2 returned cards, by reason" in page
    assert 'd="M0 0h.632M79 2h.632M0 11h.632"' in page
    assert page.count("<figure") == 2
    assert "<code>A<u>B&lt;D</u>" in page
    assert "columns 2\u20134: &lt;odd&gt;" in page
    assert "and 2 more reasons" in page
    assert "A &amp; B" in page
    assert "<script" not in page
    assert set(re.findall(r"https?://[^\"' ]*", page)) <= {"http://www.w3.org/2000/svg"}


def test_the_page_says_what_is_not_drawn_and_names_every_card() -> None:
    cards = [line(number, BLANK) for number in range(1, MOST_DRAWN + 1)]
    groups = [
        group(cards, 12_345, numbers="1 to 12,000", listed=12_000),
        ReturnedGroup(3, "rule", "", "a < b", 1, [line(7, BLANK)]),
    ]
    page = returned_page("Many", groups, 12_346)
    assert page.count("<figure") == MOST_DRAWN + 1
    said = unescape(re.sub("<[^>]*>", "", page))
    assert f"{MOST_DRAWN + 1} of 12,346 returned cards, by reason." in said
    assert "11,945 cards with this reason are not drawn here." in said
    assert "1 to 12,000; and 345 more in returned/reasons.csv" in said
    assert re.findall(r'<li><a href="#(\w+)">', page) == re.findall(r'<section id="(\w+)">', page)
    assert len(page) < 1_000_000


def test_what_a_group_says_is_not_said_again_below_each_card() -> None:
    marks = [
        (3, 8, "item (columns 3\u20138) is '7': must be even"),
        (9, 9, "note (column 9): must be blank"),
    ]
    page = unescape(returned_page("Odd", [group([line(1, BLANK, marks=marks)])], 1))
    assert page.count("ust be even") == 1
    assert "<h2>Must be even (item): 1 card</h2>" in page
    assert '<p class="soft">Stage 2, <small class="code">odd</small></p>' in page
    assert "<li>item (columns 3\u20138) is '7'</li>" in page
    assert "<li>note (column 9): must be blank</li>" in page


def test_a_card_that_was_not_read_shows_its_picture_and_no_empty_card() -> None:
    card = CardLine(5, BLANK, "", [(0, 0, "paper is missing")], picture=png())
    page = returned_page("Torn", [group([card])], 1)
    assert 'alt="Card 5, as it was photographed" src="data:image/png;base64,' in page
    assert "url(#hatch)" not in page

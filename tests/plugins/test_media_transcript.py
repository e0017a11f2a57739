"""Hole transcripts: every pattern survives, and an odd line is named with card and column."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydantic import ValidationError

from deckwright import PATTERNS, UnfitCodeError, UnreadableDeckError
from deckwright.cards.codes import load_code
from deckwright.cards.holes import format_pattern
from deckwright_plugins.media.transcript.medium import Transcript
from media_help import (
    medium,
    must_be_one_sentence,
    property_test,
    read,
    same_however_cut,
    written_back,
)

LETTERS = ["y", "x", "0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]
FORMS = [
    {"form": "columns"},
    {"form": "columns", "between": "count"},
    {"form": "columns", "rows": LETTERS, "joined_by": "", "no_holes": "none"},
    {"form": "columns", "rows": [f"R{n}" for n in (12, 11, *range(10))], "joined_by": "+"},
    {"form": "rows"},
    {"form": "rows", "between": "count", "order": "9-first", "hole": "*X", "no_hole": " -"},
    {"form": "rows", "order": "9-first", "line_end": "crlf"},
]
each_form = pytest.mark.parametrize("form", FORMS)
cards_of_holes = hnp.arrays(
    np.uint16,
    st.tuples(st.integers(1, 12), st.integers(1, 9)),
    elements=st.integers(0, PATTERNS - 1),
)


@property_test
@given(st.sampled_from(FORMS), cards_of_holes, st.integers(1, 5), st.integers(1, 5))
def test_holes_written_read_back_however_cut(tmp_path, form, holes, span, tray) -> None:
    options = {**form, "record_length": holes.shape[1]}
    made = medium(Transcript, **options)
    deck = tmp_path / "deck"
    data = made.encode(np.zeros(holes.shape, np.uint8), holes, None, made.code.alphabet)
    deck.write_bytes(data)
    uncut = same_however_cut(lambda: medium(Transcript, **options), deck, span, tray)
    assert (np.concatenate([part.holes for part in uncut]) == holes).all()
    assert not any(part.odd for part in uncut)
    assert written_back(made, uncut) == data


@each_form
def test_all_4096_patterns_survive(tmp_path, form) -> None:
    made = medium(Transcript, **form, record_length=64)
    holes = np.arange(PATTERNS, dtype=np.uint16).reshape(64, 64)
    data = made.encode(np.zeros(holes.shape, np.uint8), holes, None, made.code.alphabet)
    found = read(made, tmp_path / "deck", data)
    assert (found.holes == holes).all()


lines = st.lists(
    st.one_of(
        st.sampled_from(["12-1", "0-8-3", "", "blank", "9", "12-12", "13", "A", " 7 ", "\t"]),
        st.text(st.characters(codec="latin-1", exclude_characters="\r\n"), max_size=200),
    ),
    min_size=1,
    max_size=40,
)


@property_test
@given(st.sampled_from(FORMS[:2]), lines, st.booleans())
def test_any_lines_give_the_same_cards_however_cut(tmp_path, form, lines, ended) -> None:
    deck = tmp_path / "deck"
    data = "\n".join(lines).encode("latin-1") + b"\n" * ended
    deck.write_bytes(data)
    options = {**form, "record_length": 4, "shorter": "note"}
    try:
        uncut = same_however_cut(lambda: medium(Transcript, **options), deck, 2, 2)
    except UnreadableDeckError as error:
        must_be_one_sentence(error)
        return
    made = medium(Transcript, **options)
    again = tmp_path / "again"
    again.write_bytes(written_back(made, uncut))
    twice = same_however_cut(lambda: medium(Transcript, **options), again, 2, 2)
    assert np.array_equal(
        np.concatenate([part.holes for part in uncut]),
        np.concatenate([part.holes for part in twice]),
    )


def test_columns_are_named_by_zone_and_digit_rows(tmp_path) -> None:
    made = medium(Transcript, record_length=4)
    found = read(made, tmp_path / "deck", b"12-1\n3-8-0\nblank\n7\n\n\n\n1\n1\n1\n1\n")
    assert found.holes[0].tolist() == [0x900, 0x242, 0, 0x004]
    assert made.code.alphabet.decode(found.text[0].tobytes()) == "A, 7"
    assert [format_pattern(p) for p in found.holes[1].tolist()] == ["1"] * 4
    data = made.encode(found.text, found.holes, None, made.code.alphabet)
    assert data == b"12-1\n0-8-3\nblank\n7\n\n1\n1\n1\n1\n\n"
    assert made.encode(found.text, None, None, made.code.alphabet) == data


def test_rows_of_marks_are_read_in_both_orders(tmp_path) -> None:
    card = [b"1.", *[b".."] * 10, b".1"]
    down = read(medium(Transcript, form="rows", record_length=2), tmp_path / "a", b"\n".join(card))
    assert down.holes.tolist() == [[0x800, 0x001]]
    up = medium(Transcript, form="rows", record_length=2, order="9-first")
    assert read(up, tmp_path / "b", b"\n".join(card[::-1])).holes.tolist() == [[0x800, 0x001]]


def test_an_odd_line_is_named_with_its_number_card_and_column(tmp_path) -> None:
    made = medium(Transcript, record_length=3)
    data = b"1\n2\n3\n\n1\n12-12\n3\n\n1\n2\n3\n\nseven\n2\n3\n"
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    survey = made.survey(deck, 2)
    parts = [part for span in survey.spans for part in made.read(deck, span, 2)]
    found = {
        (part.first_card + int(odd.rows[0]), int(odd.columns[0]), odd.detail)
        for part in parts
        for odd in part.odd
    }
    assert found == {
        (2, 2, "line 6 names no rows: '12-12'"),
        (4, 1, "line 13 names no rows: 'seven'"),
    }
    assert written_back(made, parts) == data + b"\n"


def test_a_mark_that_is_not_agreed_and_a_wrong_count_of_rows_are_named(tmp_path) -> None:
    made = medium(Transcript, form="rows", record_length=2)
    card = [b".."] * 12
    bad = [*card[:4], b".o", *card[5:]]
    data = b"\n\n".join(map(b"\n".join, [card, bad, card[:11]]))
    found = read(made, tmp_path / "deck", data)
    said = {odd.reason: (odd.severity, odd.rows.tolist(), odd.detail) for odd in found.odd}
    assert said["unreadable-line"] == ("fatal", [1], "line 18 holds another mark: '.o'")
    assert said["row-count"][:2] == ("fatal", [2])
    assert "11 lines" in said["row-count"][2]


def test_short_and_long_cards_are_treated_as_told(tmp_path) -> None:
    data = b"1\n2\n\n1\n2\n3\n4\n"
    found = read(medium(Transcript, record_length=3, shorter="return"), tmp_path / "deck", data)
    assert found.lengths.tolist() == [2, 3]
    said = {
        odd.reason: (odd.severity, odd.rows.tolist(), odd.columns.tolist()) for odd in found.odd
    }
    assert said == {"short-card": ("fatal", [0], [3]), "long-card": ("fatal", [1], [4])}
    made = medium(Transcript, record_length=3, longer="error")
    (span,) = made.survey(tmp_path / "deck", 9).spans
    with pytest.raises(UnreadableDeckError, match="more than 3 columns in card 2; set a larger"):
        list(made.read(tmp_path / "deck", span, 9))


@pytest.mark.parametrize(
    ("options", "data", "words"),
    [
        ({}, b"", "holds no cards"),
        ({}, b"\n \n\t\n", "holds no cards"),
        ({"between": "count"}, b"1\n" * 81, "ends inside card 2, after 1 of the 80 lines"),
        ({"form": "rows", "between": "count"}, b".\n" * 13, "after 1 of the 12 lines"),
        ({}, b"1\n" * 66_000, "65,536 lines in card 1 without an empty line; .*'count'"),
        ({}, b"1\n" + b"\0" * (3 << 20), "more than 1,048,576 bytes in line 2"),
        ({}, bytes(40_000), "no line end in its first 40,000 bytes"),
        ({}, "1\n".encode("utf-16"), "is in UTF-16"),
    ],
)
def test_what_is_no_transcript_is_refused(tmp_path, options, data, words) -> None:
    (tmp_path / "deck").write_bytes(data)
    with pytest.raises(UnreadableDeckError, match=words):
        medium(Transcript, **options).survey(tmp_path / "deck", 9)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rows": ["12"] * 12}, "stands twice"),
        ({"rows": ["y", "x", "0"]}, "at least 12"),
        ({"joined_by": ""}, "need joined_by"),
        ({"rows": ["r-12", *LETTERS[1:]]}, "which stands between"),
        ({"no_holes": "12"}, "no_holes"),
        ({"no_holes": " "}, "no_holes"),
        ({"hole": "1", "no_hole": "10"}, "different"),
        ({"hole": "é"}, "ASCII"),
    ],
)
def test_names_and_marks_that_are_unclear_are_refused(options, words) -> None:
    with pytest.raises(ValidationError, match=words):
        Transcript.config_model(**options)


def test_a_code_without_holes_is_refused() -> None:
    code = replace(load_code("ascii"), from_holes=None, to_holes=None)
    with pytest.raises(UnfitCodeError, match="has no holes"):
        Transcript(Transcript.config_model(), code)


def test_returned_lines_end_as_those_of_their_deck(tmp_path) -> None:
    made = medium(Transcript, record_length=1)
    (tmp_path / "deck").write_bytes(b"1\r\n\r\n2\r\n")
    assert made.like(tmp_path / "deck").record(b"1") == b"1\r\n\r\n"
    (tmp_path / "deck").write_bytes(b"1\n\n2\n")
    assert made.like(tmp_path / "deck").record(b"1") == b"1\n\n"

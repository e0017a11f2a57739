"""The printed line as a second opinion: it doubts what it contradicts and settles nothing."""

from __future__ import annotations

import stat
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")

from benchmark.printed import counts_of
from deckwright.cards.codes import load_code
from deckwright.pictures.printed import recogniser
from deckwright.pictures.printed.lookalikes import BLANK, GROUPS, alike, differing
from deckwright.pictures.printed.printed import clean_line, compare_print, has_line, second_opinion
from deckwright.pictures.reader.reading import read_card
from deckwright.pictures.show.cutouts import printed_line
from deckwright.pictures.simulator.simulate import simulate_card
from pictures import other_renderer

CODE = load_code("ascii-card")
PLAIN = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
TEXT = "GAUGE 0173 NORTH MILL 4592 HILL 60817 FIELD 25 QUARRY EXTRA 3948 WIND 71 DEEP 88"
needs_recogniser = pytest.mark.skipif(
    recogniser.find_recogniser() is None, reason=f"there is no program {recogniser.PROGRAM}"
)


def punched(text):
    return np.array([CODE.to_holes[ord(character)] for character in text.ljust(80)], np.uint16)


def said_as(text):
    """Return a recogniser that sees this text in every look."""
    return lambda line, look, program, offset=0.0: text.ljust(80)[:80]


def bits(numbers):
    return np.bitwise_count(numbers.astype(np.uint16))


@pytest.fixture(scope="module")
def card():
    """Return the text, the picture and the reading of a card in good order."""
    made = simulate_card(punched(TEXT), "clean", text=TEXT, ppi=200, seed=4, backing="dark")
    reading = read_card(made.image)
    assert not reading.needs_person
    return TEXT, made.image, reading


LINES = st.text(alphabet=PLAIN + " -./,&", max_size=80)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 4095), min_size=80, max_size=80), LINES, LINES)
def test_a_doubted_column_is_one_hole_from_a_character_seen_that_is_not_like_it(holes, text, seen):
    patterns = np.array(holes, np.uint16)
    doubtful = second_opinion(patterns, text, seen)
    assert doubtful.shape == (80,)
    for column in np.flatnonzero(doubtful):
        assert seen[column] in PLAIN
        assert not alike(text.ljust(80)[column], seen[column])
        assert bits(patterns[column] ^ punched(seen[column])[0]) == 1


@settings(max_examples=60, deadline=None)
@given(LINES)
def test_a_line_that_says_what_is_punched_doubts_nothing(text):
    assert not second_opinion(punched(text), text, text).any()
    assert not second_opinion(punched(text), text, "").any()
    assert not second_opinion(punched(text), text, text.lower()).any()


WHOLE = st.text(alphabet=PLAIN, min_size=80, max_size=80)


@settings(max_examples=60, deadline=None)
@given(WHOLE, st.integers(0, 79), st.integers(0, 11))
def test_one_wrong_hole_is_doubted_in_its_column_alone(text, column, row):
    patterns = punched(text)
    patterns[column] ^= 1 << row
    character = CODE.from_holes[patterns[column]]
    wrong = chr(character) if character >= 0 else "\x1a"
    assume(wrong not in "&/@#%(?")  # may look like a letter that is one hole apart
    assume(wrong.isascii() or not wrong.isprintable())
    assume(not alike(wrong, text[column]))
    doubtful = second_opinion(patterns, text[:column] + wrong + text[column + 1 :], text)
    assert np.flatnonzero(doubtful).tolist() == [column]


def test_a_letter_with_two_capitals_moves_no_column():
    seen = "\u00df" + TEXT[1:]  # a sharp s, in capitals two
    patterns = punched(TEXT)
    column = TEXT.index("H")
    patterns[column] ^= 0x800
    read = seen[:column] + "8" + seen[column + 1 :]
    assert np.flatnonzero(second_opinion(patterns, read, TEXT)).tolist() == [column]


@settings(max_examples=60, deadline=None)
@given(WHOLE, st.randoms(use_true_random=False))
def test_a_line_that_says_something_else_doubts_nothing(text, chance):
    other = "".join(chance.choice([c for c in PLAIN if not alike(c, here)]) for here in text)
    assert not second_opinion(punched(text), text, other).any()


def test_no_two_characters_that_look_alike_are_one_hole_apart():
    for group in GROUPS:
        known = [character for character in group if CODE.to_holes[ord(character)] > 0]
        holes = [int(punched(character)[0]) for character in known if character in PLAIN]
        assert all((one ^ other).bit_count() != 1 for one in holes for other in holes)


@settings(max_examples=60, deadline=None)
@given(LINES, LINES)
def test_looking_alike_is_mutual_and_blanks_never_differ(one, other):
    for first, second in zip(one, other, strict=False):
        assert alike(first, second) == alike(second, first)
        assert alike(first, first)
    assert all(other[column] != BLANK for column in differing(one, other))


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_an_opinion_never_raises_confidence(card, data):
    text, image, reading = card
    columns = data.draw(st.lists(st.integers(0, 79), max_size=12))
    unsure = reading.unsure.copy()
    unsure[3, columns] = True
    reading = replace(reading, unsure=unsure, bad=data.draw(st.booleans()))
    changed = list(text)
    for column in data.draw(st.lists(st.integers(0, 79), max_size=15)):
        changed[column] = data.draw(st.sampled_from(PLAIN + " "))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recogniser, "find_recogniser", lambda: "here")
        patch.setattr(recogniser, "recognise", said_as("".join(changed)))
        opinion = compare_print(image, reading, text, recognise=True)
    assert not (opinion.doubtful & ~reading.decided).any()
    after = opinion.unsure_places(reading)
    assert (after >= reading.unsure).all()
    assert (after.any(axis=0) == (reading.unsure_columns | opinion.doubtful)).all()
    assert ((after & ~reading.unsure).sum(axis=0) <= 1).all()
    assert len(opinion.seen) == 80
    shown = set(differing(text, opinion.seen))
    assert set(np.flatnonzero(opinion.doubtful)) <= shown <= set(differing(text, "".join(changed)))


def test_what_speaks_against_the_holes_must_stand_in_every_look(card, monkeypatch):
    text, image, reading = card
    wrong = "7" + text[1:]  # punched is G, 12-7
    for agreeing in range(1, len(recogniser.LOOKS) + 1):
        looks = []

        def look_at(line, look, program, offset, looks=looks, agreeing=agreeing):
            looks.append(look)
            return wrong if len(looks) <= agreeing else text

        monkeypatch.setattr(recogniser, "find_recogniser", lambda: "here")
        monkeypatch.setattr(recogniser, "recognise", look_at)
        opinion = compare_print(image, reading, text, recognise=True)
        every = agreeing == len(recogniser.LOOKS)
        assert np.flatnonzero(opinion.doubtful).tolist() == ([0] if every else [])
        assert opinion.seen == (wrong if every else " " + text[1:])
        assert len(looks) == min(agreeing + 1, len(recogniser.LOOKS))


def test_a_card_that_agrees_is_looked_at_once(card, monkeypatch):
    text, image, reading = card
    looks = []
    monkeypatch.setattr(recogniser, "find_recogniser", lambda: "here")
    monkeypatch.setattr(recogniser, "recognise", lambda line, look, *_: looks.append(look) or text)
    assert compare_print(image, reading, text, recognise=True).seen == text
    assert looks == ["line"]


def test_without_recognising_the_strip_is_still_cut_out(card, monkeypatch):
    text, image, reading = card
    opinion = compare_print(image, reading, text, recognise=False)
    assert opinion.strip is not None
    assert opinion.strip.shape == printed_line(image, reading.mapping).shape
    assert (opinion.seen, opinion.doubtful.any(), opinion.why) == ("", False, "")
    monkeypatch.setattr(recogniser, "find_recogniser", lambda: None)
    opinion = compare_print(image, reading, text, recognise=True)
    assert (opinion.seen, opinion.why) == ("", "there is no program to recognise print")


@pytest.mark.parametrize("condition", ["clean", "ordinary", "noise", "stain", "digits", "light"])
@pytest.mark.parametrize("text", ["", "DEPOT 17"])
def test_a_printed_line_is_told_from_an_empty_edge(condition, text):
    made = simulate_card(punched(TEXT), condition, text=text, ppi=150, seed=12)
    reading = read_card(made.image)
    line = clean_line(printed_line(made.image, reading.mapping, recogniser.PPI))
    assert has_line(line) == bool(text)


def test_a_picture_of_no_card_has_no_opinion():
    image = np.full((400, 900, 3), 90, np.uint8)
    opinion = compare_print(image, read_card(image), "", recognise=True)
    assert opinion.strip is None
    assert not opinion.doubtful.any()


def program(folder, body):
    """Return a program of this name that does something else."""
    path = folder / recogniser.PROGRAM
    path.write_text(f"#!/bin/sh\n{body}\n", "utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("exit 3", "failed on a printed line: exit code 3"),
        ("echo broken >&2; exit 1", "exit code 1, broken"),
        ("exec sleep 60", "took longer than"),
        ("cat >/dev/null; head -c 100000 /dev/urandom", ""),
        ('cat >/dev/null; printf "x_bboxes 1 1 2 2; x_conf 9\'>A</span> <b"', ""),
    ],
)
def test_a_broken_program_costs_no_card(card, tmp_path, monkeypatch, body, said):
    text, image, reading = card
    path = program(tmp_path, body)
    monkeypatch.setattr(recogniser, "find_recogniser", lambda: path)
    monkeypatch.setattr(recogniser, "LONGEST", 0.5)
    opinion = compare_print(image, reading, text, recognise=True)
    assert said in opinion.why
    assert not opinion.doubtful.any()


def test_no_shell_sees_a_name_and_nothing_of_the_deck_is_on_the_command_line(
    card, tmp_path, monkeypatch
):
    text, image, reading = card
    seen = tmp_path / "seen"
    path = program(tmp_path, f'cat >/dev/null; printf "%s\\n" "$@" >"{seen}"; env >>"{seen}"')
    monkeypatch.setattr(recogniser, "find_recogniser", lambda: path)
    monkeypatch.setenv("SECRET_OF_THE_HOUSE", "x")
    compare_print(image, reading, text, recognise=True)
    told = seen.read_text("utf-8")
    assert "stdin" in told
    assert "OMP_THREAD_LIMIT=1" in told
    assert "GAUGE" not in told
    assert "SECRET_OF_THE_HOUSE" not in told


@needs_recogniser
def test_the_line_of_a_card_is_recognised_and_a_wrong_hole_is_doubted():
    look = other_renderer.Look()
    image = other_renderer.draw(punched(TEXT), look, 150, 1, TEXT)
    reading = read_card(image)
    opinion = compare_print(image, reading, TEXT, recognise=True)
    letters = [column for column, character in enumerate(TEXT) if character != BLANK]
    assert sum(opinion.seen[column] != BLANK for column in letters) > 0.85 * len(letters)
    assert not opinion.doubtful.any()
    column = TEXT.index("H")  # 12-8; without its row 12 an 8
    patterns = reading.patterns.copy()
    patterns[column] ^= 0x800
    wrong = TEXT[:column] + "8" + TEXT[column + 1 :]
    opinion = compare_print(image, replace(reading, patterns=patterns), wrong, recognise=True)
    assert np.flatnonzero(opinion.doubtful).tolist() == [column]


@needs_recogniser
def test_a_line_of_another_pitch_says_nothing_of_the_columns():
    made = simulate_card(punched(TEXT), "clean", text="", ppi=200, seed=4, backing="dark")
    reading = read_card(made.image)
    look = other_renderer.Look(digits=False)
    wide = "".join(character + " " for character in TEXT[:40])
    image = other_renderer.draw(punched(wide), look, 150, 1, TEXT)
    assert reading.mapping is not None
    opinion = compare_print(image, read_card(image), wide, recognise=True)
    assert not opinion.doubtful.any()
    assert opinion.why == "the printed line mostly says something else than the holes"


@pytest.mark.long
@pytest.mark.timeout(3600)
@needs_recogniser
def test_below_one_in_a_hundred_clean_cards_gets_a_false_doubt():
    counts = counts_of(300)
    assert counts["cards"] > 250
    assert counts["cards with a false doubt"] < 0.01 * counts["cards"]
    assert counts["characters that agree"] > 0.9 * counts["characters"]
    assert counts["wrong holes doubted"] > 0.5 * counts["wrong holes"]

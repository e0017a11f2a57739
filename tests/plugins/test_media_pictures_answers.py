"""What a person answers is taken for what was asked, and for nothing else."""

from __future__ import annotations

import codecs
import csv
import io
import json
import re
import tarfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from deckwright import ILLEGAL, PATTERNS, can_recognise, clean_card, format_pattern
from deckwright.engine.run import run_job
from deckwright_plugins.media.pictures.answers import read_answers
from deckwright_plugins.media.pictures.index import build_index
from deckwright_plugins.media.pictures.options import PicturesConfig
from media_help import property_test, read
from picture_help import (
    CODE,
    card,
    foldered,
    half_punched,
    holes_of,
    odd_of,
    pictures,
    said_of,
    saved,
    texts_of,
    zipped,
)

HEAD = "card,column,12,11,0,1,2,3,4,5,6,7,8,9,holes,by\r\n"
TEXT = "00017 ORRIN HEAD"
UNSURE = saved(half_punched(TEXT, 3, 10))
LOOK = "a.png.look.csv"


def form(*lines: tuple[int, str, str]) -> bytes:
    """Return a form with these answers: column, holes, by."""
    rows = [f"1,{column}{',0.5' * 12},{holes},{by}\r\n" for column, holes, by in lines]
    return (HEAD + "".join(rows)).encode()


RIGHT = [(column, format_pattern(int(holes_of(TEXT)[column - 1])), "AB") for column in (3, 10)]


@property_test
@given(st.dictionaries(st.integers(1, 80), st.integers(0, PATTERNS - 1), max_size=8), st.booleans())
def test_every_pattern_can_be_answered(answers, blanks) -> None:
    said = {column: format_pattern(holes) or "none" for column, holes in answers.items()}
    if blanks:  # as one writes it where a spreadsheet would make a date of it
        said = {column: text.replace("-", " ") for column, text in said.items()}
    found = read_answers(form(*((column, text, "Ó. B.") for column, text in said.items())))
    assert found.fault == ""
    assert {column: answer.holes for column, answer in found.of.items()} == answers


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (form((3, "12-1", "")), "line 2 has an answer but not, under 'by', who"),
        (form((3, "12-Jan", "AB")), "line 2 holds '12-Jan', which names no rows.*12 1"),
        (form((3, "12-12", "AB")), "line 2 holds '12-12'"),
        (form((3, "blank", "AB")), "line 2: write 'none'"),
        (form((81, "1", "AB")), "line 2 names no column from 1 to 80"),
        (form((3, "1", "AB"), (3, "2", "AB")), "line 3 answers column 3 once more"),
        (b"card,column,by\r\n", "has no column 'holes'"),
        (b"", "has no column 'column'"),
        (b"x" * (1 << 17), "is larger than"),
        (HEAD.encode() + b'1,3,"', "is no CSV"),
    ],
)
def test_answers_that_are_not_clear_are_not_taken(tmp_path, data, words) -> None:
    members = {"a.png": UNSURE, LOOK: data}
    tray = read(pictures(), tmp_path / "deck.zip", zipped(members))
    said = said_of(tray, 1)
    assert ("answers-unclear", "fatal") in {(why, how) for _, why, how in odd_of(tray)}
    assert any(re.search(words, one) for one in said)


def test_answers_from_any_spreadsheet_are_read() -> None:
    plain = form((3, "12-1", "Ö"), (4, "", "")).decode()
    for text in (plain, plain.replace(",", ";"), plain.replace(",", "\t"), plain.replace("\r", "")):
        ways = ("utf-8", "utf-8-sig", "latin-1", "utf-16")
        for data in (*map(text.encode, ways), codecs.BOM_UTF16_BE + text.encode("utf-16-be")):
            found = read_answers(data)
            assert [(column, one.said) for column, one in found.of.items()] == [(3, "12-1")]


def test_what_was_asked_is_taken_and_noted_column_by_column(tmp_path) -> None:
    deck = tmp_path / "deck.zip"
    assert odd_of(read(pictures(), deck, zipped({"a.png": UNSURE}))) == [(1, "unsure", "fatal")]
    tray = read(pictures(), deck, zipped({"a.png": UNSURE, LOOK: form(*RIGHT)}))
    assert texts_of(tray) == [TEXT]
    assert said_of(tray, 1) == [f"column {c} as AB read it: {said}" for c, said, _ in RIGHT]


def test_an_answer_that_contradicts_a_plain_row_of_a_doubtful_column_is_not_taken(tmp_path) -> None:
    none = form((3, "none", "AB"), RIGHT[1])
    tray = read(pictures(), tmp_path / "deck.zip", zipped({"a.png": UNSURE, LOOK: none}))
    assert ("answer-differs", "fatal") in {(why, how) for _, why, how in odd_of(tray)}
    assert "row 0 of column 3 is plain to read, and AB reads it otherwise" in said_of(tray, 1)
    assert int(tray.text[0][2]) == ILLEGAL


@pytest.mark.parametrize(
    "name",
    ["a.png.look (1).csv", "a.png.look(2).csv", "a.png.look - Copy.csv", "a.png.look copy 2.csv",
     "a.png.look - Copy (3).csv", "a.png.LOOK.CSV"],
)  # fmt: skip
def test_answers_are_found_under_the_names_that_second_files_get(tmp_path, name) -> None:
    deck = tmp_path / "deck.zip"
    assert texts_of(read(pictures(), deck, zipped({"a.png": UNSURE, name: form(*RIGHT)}))) == [TEXT]
    both = {"a.png": UNSURE, LOOK: form((3, "", ""), (10, "", "")), name: form(*RIGHT)}
    tray = read(pictures(), deck, zipped(both))
    assert ("answers-unclear", "fatal") in {(why, how) for _, why, how in odd_of(tray)}


def no_card(*lines: tuple[int, str, str], said: str = "no card") -> bytes:
    """Return a form in which AB says that the picture shows no card."""
    return form(*lines) + f"1,card{',' * 12},{said},AB\r\n".encode()


SHEET = saved(np.full((400, 900), 128, np.uint8))


def test_one_answer_says_that_a_picture_shows_no_card(tmp_path) -> None:
    deck = tmp_path / "deck.zip"
    assert (1, "not-a-card", "fatal") in odd_of(read(pictures(), deck, zipped({"a.png": SHEET})))
    tray = read(pictures(), deck, zipped({"a.png": SHEET, LOOK: no_card(said="No-Card")}))
    assert odd_of(tray) == [(1, "no-card", "aside")]
    assert said_of(tray, 1) == ["no card is on the picture, as AB says"]


def beside(name: str) -> bytes:
    """Return a picture of two cards, one below the other."""
    return saved(np.concatenate([card(name), card(name)]))


def test_answers_about_one_of_several_cards_are_taken_only_when_it_is_said_to_be_one(
    tmp_path,
) -> None:
    deck, two = tmp_path / "deck.zip", beside(TEXT)
    whole = [(n, format_pattern(int(h)) or "none", "AB") for n, h in enumerate(holes_of(TEXT), 1)]
    tray = read(pictures(), deck, zipped({"a.png": two, LOOK: form(*whole)}))
    assert {(1, "several-cards", "fatal"), (1, "answers-missing", "fatal")} <= set(odd_of(tray))
    one = no_card(*whole, said="one card")
    assert texts_of(read(pictures(), deck, zipped({"a.png": two, LOOK: one}))) == [TEXT]


def half_seen() -> bytes:
    """Return a picture whose right half lies in a shadow as dark as the backing."""
    image = card(TEXT)
    image[:, image.shape[1] // 2 :] = image[0, 0]
    return saved(image)


@pytest.mark.parametrize("picture", [beside(TEXT), half_seen()], ids=["two cards", "half a card"])
def test_no_ruler_is_laid_on_what_is_not_one_whole_card(tmp_path, picture) -> None:
    (tmp_path / "deck.zip").write_bytes(zipped({"a.png": picture}))
    made = pictures()
    made.use_folder(tmp_path)
    (span,) = made.survey(tmp_path / "deck.zip", 10).spans
    (tray,) = made.read(tmp_path / "deck.zip", span, 10)
    assert (tray.text == ILLEGAL).all()
    packed = io.BytesIO(b"".join(made.original(tmp_path / "deck.zip", 1)) + made.end())
    with tarfile.open(fileobj=packed) as back:
        assert sorted(back.getnames()) == ["a.png", LOOK]


@pytest.mark.parametrize(
    ("picture", "data", "reason", "words"),
    [
        (UNSURE, no_card(), "answer-differs", "a card is plain to see, and AB says no card"),
        (SHEET, no_card((3, "1", "AB")), "answers-unclear", "and answer other lines too"),
        (SHEET, no_card(said="a note"), "answers-unclear", "'a note'; write 'no card'"),
    ],
)
def test_no_card_is_not_taken_where_it_cannot_be(tmp_path, picture, data, reason, words) -> None:
    tray = read(pictures(), tmp_path / "deck.zip", zipped({"a.png": picture, LOOK: data}))
    assert (reason, "fatal") in {(why, how) for _, why, how in odd_of(tray)}
    assert any(words in said for said in said_of(tray, 1))


def test_part_of_the_answers_leaves_the_rest_unsure(tmp_path) -> None:
    members = {"a.png": UNSURE, LOOK: form(RIGHT[0], (10, "", ""))}
    tray = read(pictures(), tmp_path / "deck.zip", zipped(members))
    assert said_of(tray, 1) == ["please look at column 10"]


def test_an_answer_that_contradicts_what_is_plain_brings_the_card_back(tmp_path) -> None:
    members = {"a.png": UNSURE, LOOK: form(*RIGHT, (1, "5", "AB"), (2, "0", "AB"))}
    tray = read(pictures(), tmp_path / "deck.zip", zipped(members))
    assert odd_of(tray) == [(1, "answer-differs", "fatal")]
    assert said_of(tray, 1) == ["column 1 is plain to read, and AB reads it otherwise"]


def test_a_card_that_is_not_read_as_a_whole_needs_all_its_columns(tmp_path) -> None:
    clipped = saved(card(TEXT)[:, :-270])
    whole = [
        (column, format_pattern(int(holes)) or "none", "AB")
        for column, holes in enumerate(holes_of(TEXT), 1)
    ]
    deck = tmp_path / "deck.zip"
    tray = read(pictures(), deck, zipped({"a.png": clipped, LOOK: form(*whole[:79])}))
    reasons = {reason for _, reason, how in odd_of(tray) if how == "fatal"}
    assert reasons == {"answers-missing", "clipped"}
    tray = read(pictures(), deck, zipped({"a.png": clipped, LOOK: form(*whole)}))
    assert texts_of(tray) == [TEXT]
    assert [how for *_, how in odd_of(tray)] == ["note"] * 80


BACK = saved(card(TEXT)[:, ::-1])
SIDE_ASKED = "by its cut corner its back is seen; write front or back in its form"


def side(said: str, *lines: tuple[int, str, str]) -> bytes:
    """Return a form in which AB says which side is seen."""
    return form(*lines) + f"1,side{',' * 12},{said},AB\r\n".encode()


def test_a_card_seen_from_behind_is_asked_about_and_then_read(tmp_path) -> None:
    deck = tmp_path / "deck.zip"
    tray = read(pictures(), deck, zipped({"a.png": BACK}))
    assert odd_of(tray) == [(1, "which-side", "fatal")]
    assert said_of(tray, 1)[0].startswith(SIDE_ASKED)
    assert (tray.text == ILLEGAL).all()
    tray = read(pictures(), deck, zipped({"a.png": BACK, LOOK: side("back")}))
    assert texts_of(tray) == [TEXT]
    assert said_of(tray, 1) == ["its back is seen, as AB says", "it lies back to front"]
    tray = read(pictures(), deck, zipped({"a.png": BACK, LOOK: side("Front")}))
    assert (tray.holes[0] == holes_of(TEXT)[::-1]).all()
    assert said_of(tray, 1) == ["its front is seen, as AB says"]
    assert texts_of(read(pictures(backs="read"), deck, zipped({"a.png": BACK}))) == [TEXT]


def test_where_nobody_has_said_the_cut_it_is_asked_once_for_all_cards(tmp_path) -> None:
    deck = tmp_path / "deck.zip"
    asking = pictures(cut="ask")
    front = saved(card(TEXT))
    tray = read(asking, deck, zipped({"a.png": front}))
    assert odd_of(tray) == [(1, "which-cut", "fatal")]
    assert "say it in the job, for all cards at once (cut)" in said_of(tray, 1)[0]
    assert (tray.text == ILLEGAL).all()
    tray = read(asking, deck, zipped({"a.png": front, LOOK: side("front")}))
    assert texts_of(tray) == [TEXT]
    tray = read(asking, deck, zipped({"a.png": BACK, LOOK: side("back")}))
    assert texts_of(tray) == [TEXT]
    assert texts_of(read(pictures(cut="upper-left"), deck, zipped({"a.png": front}))) == [TEXT]


def test_cards_that_the_program_has_drawn_say_where_their_cut_is(tmp_path) -> None:
    """A returned deck of cards that a stage changed is read again by the job that made it."""
    asking = pictures(cut="ask")
    text = CODE.alphabet.encode(TEXT.ljust(80))
    cards = np.frombuffer(text, np.uint8)[None]
    data = asking.encode(cards, None, None, CODE.alphabet) + asking.end()
    assert texts_of(read(asking, tmp_path / "again.tar", data)) == [TEXT]


def test_the_side_is_one_question_and_its_columns_are_the_next(tmp_path) -> None:
    members = {"a.png": saved(half_punched(TEXT, 3, 10)[:, ::-1])}
    for answer in (None, side("back"), side("back", *RIGHT)):
        deck = tmp_path / "deck.zip"
        deck.write_bytes(zipped(members if answer is None else {**members, LOOK: answer}))
        made = pictures()
        made.use_folder(tmp_path)
        (span,) = made.survey(deck, 10).spans
        (tray,) = made.read(deck, span, 10)
        packed = io.BytesIO(b"".join(made.original(deck, 1)) + made.end())
        with tarfile.open(fileobj=packed) as back:
            sheet = io.StringIO(back.extractfile(LOOK).read().decode())
            pieces = [name for name in back.getnames() if ".look/" in name]
        asked = [row["column"] for row in csv.DictReader(sheet)]
        if answer is None:
            assert (asked, pieces) == (["side"], [])
        else:
            assert asked == ["side", "3", "10"]
    assert texts_of(tray) == [TEXT]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (side("up"), "line 2 holds 'up'; write front or back"),
        (side("back") + b"1,side,,,,,,,,,,,,,back,AB\r\n", "line 3 answers side once more"),
        (side("back").replace(b"AB", b""), "line 2 has an answer but not, under 'by', who"),
    ],
)
def test_a_side_that_is_not_clear_is_not_taken(tmp_path, data, words) -> None:
    tray = read(pictures(), tmp_path / "deck.zip", zipped({"a.png": BACK, LOOK: data}))
    assert ("answers-unclear", "fatal") in {(why, how) for _, why, how in odd_of(tray)}
    assert any(re.search(words, one) for one in said_of(tray, 1))


def test_a_side_that_the_cut_corner_contradicts_brings_the_card_back(tmp_path) -> None:
    members = {"a.png": saved(card(TEXT)), LOOK: side("back")}
    tray = read(pictures(), tmp_path / "deck.zip", zipped(members))
    assert odd_of(tray) == [(1, "answer-differs", "fatal")]
    assert said_of(tray, 1) == ["by its cut corner its front is seen, and AB says the back"]


def test_answers_stay_beside_a_file_of_many_pages_and_strays_are_listed(tmp_path) -> None:
    pages = [Image.fromarray(half_punched(TEXT, 3, 10)) for _ in range(2)]
    tiff = saved(pages[0], "TIFF", save_all=True, append_images=pages[1:])
    members = {
        "b.tif": tiff,
        "b.tif.page-0002.png.look.csv": form(*RIGHT),
        "b.tif.page-0001.png.look/column-03.png": UNSURE,
        "b.tif.page-0003.png.look.csv": form(*RIGHT),
        "b.tif.card-01.png.look.csv": form(*RIGHT),
    }
    deck = tmp_path / "deck.zip"
    tray = read(pictures(), deck, zipped(members))
    assert [card for card, reason, _ in odd_of(tray) if reason == "unsure"] == [1]
    assert texts_of(tray)[1] == TEXT
    index = build_index(deck, PicturesConfig(), tmp_path / "work")
    assert [name for name, *_ in index.left] == list(members)[3:]
    assert index.pieces == 1


def test_answers_about_one_of_two_pictures_of_a_name_are_not_taken(tmp_path) -> None:
    members = [("a.png", UNSURE), ("a.png", UNSURE), (LOOK, form(*RIGHT))]
    with pytest.warns(UserWarning, match="Duplicate name"):
        data = zipped(members)
    tray = read(pictures(), tmp_path / "deck.zip", data)
    reasons = {(card, reason) for card, reason, _ in odd_of(tray)}
    assert {(1, "answers-unclear"), (2, "answers-unclear")} <= reasons
    assert not (tray.holes[:, 2] != 0).any()


@pytest.mark.slow
@pytest.mark.skipif(not can_recognise(), reason="tesseract is not installed")
def test_a_printed_line_can_only_raise_a_doubt_and_a_person_settles_it(tmp_path) -> None:
    text = "SPECIMEN OF ORRIN 0123456789 HARBOUR"
    holes = holes_of(text)
    holes[30] &= 0x7FF  # an A that has lost row 12: a digit 1 under a printed A
    members, deck = {"a.png": saved(clean_card(holes, text))}, tmp_path / "deck.zip"
    shown = read(pictures(), deck, zipped(members))
    assert (shown.holes[0] == holes).all()
    compared = pictures(printed_line="compare")
    tray = read(compared, deck, zipped(members))
    assert odd_of(tray) == [(1, "printed-otherwise", "fatal")]
    assert said_of(tray, 1) == ["please look at column 31: the printed line differs"]
    assert (int(tray.holes[0][30]), int(tray.text[0][30])) == (0, ILLEGAL)
    members[LOOK] = form((31, "1", "AB"))
    tray = read(compared, deck, zipped(members))
    assert (tray.holes[0] == holes).all()
    assert said_of(tray, 1) == ["column 31 as AB read it: 1"]


JOB = """
title = "Two rounds"
[[stage]]
kind = "decode"
medium = { kind = "pictures", cut = "upper-left" }
most_returned = "100 %"
[[stage]]
kind = "validate"
layout = "depot"
[[stage]]
kind = "emit"
[[stage.output]]
file = "depots.csv"
form = "csv"
"""
LAYOUT = """
title = "Depot"
[[field]]
name = "number"
columns = "1-5"
kind = "whole"
high = 90
"""


@pytest.fixture
def job(tmp_path) -> Path:
    (tmp_path / "depot.toml").write_text(LAYOUT, "utf-8")
    path = tmp_path / "job.toml"
    path.write_text(JOB, "utf-8")
    return path


def unpacked(path: Path) -> dict[str, bytes]:
    with tarfile.open(path) as archive:
        return {info.name: archive.extractfile(info).read() for info in archive}


def filled(data: bytes, answers: dict[int, str]) -> bytes:
    """Return a form with answers, as a person fills it in."""
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    for row in rows[1:]:
        if row[1].isdigit() and int(row[1]) in answers:
            row[-2:] = [answers[int(row[1])], "AB"]
    buffer = io.StringIO()
    csv.writer(buffer).writerows(rows)
    return buffer.getvalue().encode()


def test_cards_go_out_and_come_back_answered_until_nothing_is_lost(tmp_path, job) -> None:
    members = {
        "1.png": saved(card("00001")),
        "2.png": UNSURE,
        "3.png": saved(card("00099")),
        "4.png": saved(half_punched("00099", 3)),
        "5.png": saved(card("00001")[:, :-270]),
        "notes.txt": b"found in the attic",
    }
    deck = tmp_path / "attic.zip"
    deck.write_bytes(zipped(members))
    first = run_job(job, [deck], tmp_path / "first").folder
    back = unpacked(first / "returned" / "attic.tar")
    assert {name: back[name] for name in ("2.png", "3.png", "4.png")} == {
        name: members[name] for name in ("2.png", "3.png", "4.png")
    }, "also a card that a later stage sent back comes as the picture that it was"
    assert "3.png.look.csv" not in back
    assert [name for name in back if name.startswith("2.png.look/")] == [
        "2.png.look/column-03.png",
        "2.png.look/column-10.png",
    ]
    asked = list(csv.DictReader(io.StringIO(back["2.png.look.csv"].decode())))
    assert [(row["column"], row["holes"], row["by"]) for row in asked] == [
        ("3", "", ""), ("10", "", ""),
    ], "nobody's answer is filled in"  # fmt: skip
    marks = [[name for name, cell in row.items() if cell == "?"] for row in asked]
    assert marks == [["5"], ["5"]], "the rows in doubt are marked, and the reading is not told"
    assert {cell for row in asked for cell in list(row.values())[2:14]} == {"", "?"}
    control = json.loads((first / "control.json").read_text("utf-8"))
    assert control["stages"][0]["facts"]["files_not_read"] == 1
    assert b"attic.zip,notes.txt,18,is no picture" in (first / "out" / "not-read.csv").read_bytes()

    assert "5.png.look/card.png" in back, "one picture of the whole card, not eighty of columns"
    assert back["5.png.look.csv"].count(b"\r\n") == 82
    assert b"\r\n5,card,,,,,,,,,,,,,,\r\n" in back["5.png.look.csv"], "there may be no card"

    back = {name: data for name, data in back.items() if not name.startswith("5.png")}
    half = {**back, "2.png.look.csv": filled(back["2.png.look.csv"], {3: RIGHT[0][1]})}
    half["4.png.look.csv"] = filled(back["4.png.look.csv"], {3: "0"})
    folder = foldered(tmp_path / "half", half)
    second = run_job(job, [folder], tmp_path / "second").folder
    again = unpacked(second / "returned" / "half.tar")
    assert b",0,AB\r\n" in again["4.png.look.csv"], "an answered card keeps its answers"
    assert f",{RIGHT[0][1]},AB\r\n".encode() in again["2.png.look.csv"]
    reasons = pl.read_csv(second / "returned" / "reasons.csv", infer_schema=False)
    assert reasons.select("card", "reason").rows() == [
        ("1", "unsure"), ("2", "out-of-range"), ("3", "out-of-range"),
    ]  # fmt: skip

    last = {name: data for name, data in again.items() if name.startswith("2.png")}
    last["2.png.look.csv"] = filled(again["2.png.look.csv"], {10: RIGHT[1][1]})
    folder = foldered(tmp_path / "last", last)
    third = run_job(job, [folder], tmp_path / "third").folder
    assert (third / "out" / "depots.csv").read_bytes() == b"card,number\r\n1,17\r\n"
    notes = pl.read_csv(third / "notes.csv", infer_schema=False)
    assert notes["reason"].to_list() == ["read-by-person"] * 2
    assert notes["column"].to_list() == ["3", "10"]


def test_the_reading_report_stands_beside_the_deliveries(tmp_path, job) -> None:
    decks = []
    for name, texts in (("a.zip", ["00001", "00002"]), ("b.zip", ["00003"])):
        decks.append(tmp_path / name)
        members = {f"{text}.png": saved(card(text)) for text in texts} | {"z.png": UNSURE}
        decks[-1].write_bytes(zipped(members))
    folder = run_job(job, decks, tmp_path / "run").folder / "out"
    table = pl.read_parquet(folder / "reading.parquet")
    assert table.select("card", "deck", "card_in_deck", "picture", "state").rows() == [
        (1, "a.zip", 1, "00001.png", "read"),
        (2, "a.zip", 2, "00002.png", "read"),
        (3, "a.zip", 3, "z.png", "look"),
        (4, "b.zip", 1, "00003.png", "read"),
        (5, "b.zip", 2, "z.png", "look"),
    ]
    assert table["probability"].list.len().to_list() == [960] * 5
    shares = table["probability"].list.get(2 * 80 + 4).to_list()
    assert [share > 0.9 for share in shares] == [False, False, False, False, False]
    assert table["unsure_columns"].to_list() == [0, 0, 2, 0, 2]
    plain = pl.read_csv(folder / "reading.csv")
    assert plain.columns == [name for name in table.columns if name != "probability"]
    assert plain["card"].to_list() == table["card"].to_list()
    assert "a.zip" in (folder / "reading.html").read_text("utf-8")

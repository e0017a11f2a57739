from __future__ import annotations

import csv

import numpy as np
import pytest

from secondrenderer.content import holes_of
from secondrenderer.limits import upper_limit
from secondrenderer.measure import box_seeds, measure_box, table
from secondrenderer.running import Row, taken_up
from secondrenderer.score import Tally, compare, way_wrong
from secondrenderer.truth import CardTruth, Picture

TEXT = "1234567 BADEL     QUAHO".ljust(72) + "ABCDEFGH"


def card(text=TEXT, **given):
    known = {
        "grade": "clean", "text": text, "holes": holes_of(text), "hidden": np.zeros((12, 80), bool),
        "hidden_by": (),
        "side": "front", "turned": 0.0, "mirrored": False, "cut": "none", "face": "plain",
        "interpreted": "none", "paper": "buff", "marks": (), "contrast": 100.0,
        "centres": np.zeros((12, 80, 2)),
    }  # fmt: skip
    return CardTruth(**(known | given))


def picture(*cards):
    return Picture("a.jpg", b"", 2, 1, "clean", "flatbed", "black sheet", 200.0, (), cards, ())


def row(fate="delivered", holes=None, kind="card", reasons=(), asked=0):
    return Row("a.jpg", fate, kind, reasons, asked, holes, "")


@pytest.mark.parametrize(
    ("turned", "way"),
    [
        (np.s_[:, :], ""),
        (np.s_[:, ::-1], "mirrored"),
        (np.s_[::-1, ::-1], "upside down"),
        (np.s_[::-1], "upside down and mirrored"),
    ],
)
def test_a_card_read_from_the_wrong_side_is_told_as_such(turned, way):
    truth = holes_of(TEXT)
    wrong, told = way_wrong(truth[turned], truth)
    assert told == way
    assert (wrong == 0) == (way == "")


def test_few_wrong_columns_are_told_as_columns():
    truth = holes_of(TEXT)
    told = truth.copy()
    told[5, 3] ^= True
    assert way_wrong(told, truth) == (1, "some columns")
    assert way_wrong(~truth, truth) == (80, "as a whole")


def test_what_is_delivered_right_counts_its_columns_and_nothing_else():
    tally, told = compare(picture(card()), [row(holes=holes_of(TEXT))])
    assert (tally.delivered, tally.columns, tally.wrong_cards, told) == (1, 80, 0, [])


def test_a_wrong_column_that_the_picture_hides_is_wrong_and_told_apart():
    hidden = np.zeros((12, 80), bool)
    hidden[:, 3] = True
    told = holes_of(TEXT)
    told[:, 3] = False
    tally, _ = compare(picture(card(hidden=hidden)), [row(holes=told)])
    assert (tally.wrong_cards, tally.wrong_columns, tally.hidden) == (1, 1, 1)
    assert tally.ways == {"only what is hidden": 1}


def test_a_card_of_which_nothing_is_told_is_missed_unless_it_is_hidden():
    hidden = card("", hidden=np.ones((12, 80), bool))
    tally, _ = compare(picture(card(), card("77"), hidden), [row(holes=holes_of(TEXT))])
    assert (tally.missed, tally.barely, tally.wrong_cards) == (1, 1, 0)


def test_a_picture_that_comes_back_whole_asks_about_all_its_cards():
    tally, _ = compare(
        picture(card(), card("77")), [row("returned", reasons=("several-cards",), asked=80)]
    )
    assert (tally.whole_cards, tally.missed) == (2, 0)
    assert tally.causes == {"several-cards": 2}


def test_columns_that_are_asked_are_counted_by_their_cause():
    tally, _ = compare(picture(card()), [row("returned", reasons=("unsure",), asked=3)])
    assert (tally.asked_cards, tally.asked_columns, tally.causes["unsure"]) == (1, 3, 1)


def test_a_punched_card_set_aside_as_blank_is_wrong():
    tally, _ = compare(picture(card()), [row("set aside", kind="blank")])
    assert (tally.wrong_cards, tally.ways["taken for blank"]) == (1, 1)
    blank, _ = compare(picture(card("")), [row("set aside", kind="blank")])
    assert (blank.wrong_cards, blank.blanks) == (0, 1)


def test_what_is_delivered_where_no_card_is_is_wrong():
    tally, _ = compare(picture(), [row(holes=holes_of(TEXT))])
    assert tally.wrong_cards == 1


def test_rows_are_matched_to_the_cards_that_they_fit():
    tally, _ = compare(
        picture(card(), card("77")), [row(holes=holes_of("77")), row(holes=holes_of(TEXT))]
    )
    assert (tally.delivered, tally.wrong_cards, tally.missed) == (2, 0, 0)


@pytest.mark.parametrize(
    ("errors", "trials", "limit"),
    [(0, 300, 0.0099361), (0, 1, 0.95), (1, 10, 0.3941633), (10, 10, 1.0)],
)
def test_the_upper_limit_is_that_of_the_binomial(errors, trials, limit):
    assert upper_limit(errors, trials) == pytest.approx(limit, abs=1e-6)


def test_halves_never_share_a_box():
    one, other = (box_seeds(half, 2, 100) for half in ("calibration", "reported"))
    assert all(seed % 2 == 0 for seed, _ in one)
    assert all(seed % 2 == 1 for seed, _ in other)
    assert sum(size for _, size in one) == sum(size for _, size in other) == 100


def test_a_table_has_a_line_a_grade_and_one_for_all():
    grades = {"clean": Tally(cards=2, delivered=2, columns=160), "bad": Tally(cards=1)}
    lines = table(grades, [0, 2, 1]).splitlines()
    assert [line.split("|")[1].strip() for line in lines[2:5]] == ["clean", "bad", "all"]
    assert "columns delivered wrong: 0 of 160, below 1.85 % with 95 % confidence" in lines
    assert any(line.startswith("boxes with a card delivered wrong: 2 of 3,") for line in lines)


def test_a_run_is_taken_up_card_by_card(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "returned").mkdir()
    names = ["card", "picture", "state", "kind", "turn", "unsure_columns"]
    lines = [
        (1, "tray/a.jpg.card-01.png", "read", "card", "", 0),
        (2, "a.jpg.card-02.png", "look", "card", "", 2),
        (3, "b.jpg", "read", "blank", "", 0),
    ]
    with (tmp_path / "out" / "reading.csv").open("w", newline="") as file:
        csv.writer(file).writerows([names, *lines])
    (tmp_path / "returned" / "reasons.csv").write_text("card,reason\n2,unsure\n2,unsure\n")
    holes = holes_of(TEXT)
    card_lines = card().patterns()
    text = "\n".join("blank" if each == "-" else each for each in card_lines) + "\n"
    (tmp_path / "out" / "cards.holes").write_text(text)
    found = taken_up(tmp_path)
    assert [each.picture for each in found] == ["a.jpg", "a.jpg", "b.jpg"]
    assert [each.fate for each in found] == ["delivered", "returned", "set aside"]
    assert (found[0].holes == holes).all()
    assert (found[1].asked, found[1].reasons) == (2, ("unsure",))


@pytest.mark.slow
def test_a_box_is_drawn_run_and_compared():
    found, _ = measure_box(208, 2, told=False)
    assert sum(tally.cards for _, tally in found) == sum(len(each.cards) for each, _ in found)
    for each, tally in found:
        answered = tally.delivered + tally.blanks + tally.asked_cards + tally.whole_cards
        assert answered + tally.missed + tally.barely >= len(each.cards)

"""What the truth of an invented deck says stands in its bytes."""

from __future__ import annotations

import gzip

import numpy as np
import pytest

from .codes import PATTERNS, column_binary
from .decks import FAMILIES, deck, decks, seeds
from .model import BLANK, Deck, Field, Form, Item, several, together
from .reading import value
from .words import SCHEMES

SOME = range(0, 2 * len(FAMILIES), 2)
"""A deck of every family."""


@pytest.fixture(scope="module")
def made() -> list[Deck]:
    return [deck(seed + seed // 2 % 2, cards=90) for seed in SOME]


def as_read(one: Deck) -> list[str]:
    """The cards of a deck, from its bytes alone; `\\ufffd` for holes that are no character."""
    medium, data, width = one.truth.medium, one.data, one.truth.record_length
    if medium["kind"] == "wrapped":
        medium, data = medium["inside"], gzip.decompress(data)
    match medium["kind"]:
        case "text":
            return [line.ljust(width) for line in data.decode("ascii").splitlines()]
        case "blocks":
            text = data.decode(str(medium["code"]))
            return [text[at : at + width] for at in range(0, len(text), width)]
        case "records":
            return [line.ljust(width) for line in records(data, str(medium["form"]))]
        case _:
            return from_holes(one)


def records(data: bytes, form: str) -> list[str]:
    found, at = [], 0
    if form == "variable-blocked":
        inside = b""
        while at < len(data):
            length = int.from_bytes(data[at : at + 2], "big")
            inside += data[at + 4 : at + length]
            at += length
        data, at = inside, 0
    while at < len(data):
        four = data[at : at + 4]
        length = int(four) if form == "decimal" else int.from_bytes(four[:2], "big")
        found.append(data[at + 4 : at + length].decode("ascii" if form == "decimal" else "cp037"))
        at += length
    return found


def from_holes(one: Deck) -> list[str]:
    """Characters of the holes of a deck, where its bytes are made of these holes."""
    assert one.data == column_binary(one.holes, str(one.truth.medium["bits"]))
    known = {int(PATTERNS[sign]): chr(sign) for sign in range(33, 128) if PATTERNS[sign]}
    known[0] = " "
    return ["".join(known.get(int(holes), "\ufffd") for holes in row) for row in one.holes]


def sound(one: Deck) -> list[tuple[Field, str]]:
    """Every field of every card without a fault, with what stands there."""
    cards = as_read(one)
    return [
        (field, cards[card][field.first - 1 : field.last])
        for kind in one.truth.types
        for card in kind.cards.tolist()
        if card not in one.truth.faulty
        for field in kind.fields
    ]


def test_every_card_of_a_deck_belongs_to_one_type(made):
    for one in made:
        cards = np.concatenate([kind.cards for kind in one.truth.types])
        assert sorted(cards.tolist()) == list(range(len(as_read(one))))


def test_fields_of_a_card_do_not_overlap_and_lie_on_the_card(made):
    for one in made:
        for kind in one.truth.types:
            columns = [column for field in kind.fields for column in field.columns]
            assert len(columns) == len(set(columns))
            assert all(0 <= column < one.truth.record_length for column in columns)


def test_the_columns_of_every_field_hold_what_its_truth_says(made):
    for one in made:
        for field, text in sound(one):
            if field.form.kind != "holes":
                value(field.form, text)  # raises where the form cannot hold the text
                assert text.isascii()


def test_columns_outside_of_fields_are_blank(made):
    for one in made:
        for kind in one.truth.types:
            mine = np.setdiff1d(kind.cards, one.truth.faulty)
            inside = [column for field in kind.fields for column in field.columns]
            outside = np.setdiff1d(np.arange(one.truth.record_length), inside)
            assert (one.text[np.ix_(mine, outside)] == BLANK).all()
            assert (one.holes[np.ix_(mine, outside)] == 0).all()


def test_every_card_of_a_type_has_its_mark_and_no_other_type_has_it(made):
    for one in made:
        if one.truth.type_columns is None:
            assert len(one.truth.data_types) == 1
            continue
        first, last = one.truth.type_columns
        cards = as_read(one)
        for kind in one.truth.data_types:
            marks = {
                cards[card][first - 1 : last]
                for card in kind.cards.tolist()
                if card not in one.truth.faulty
            }
            assert marks <= {kind.mark}
        assert len({kind.mark for kind in one.truth.data_types}) == len(one.truth.data_types)


def test_a_group_that_has_no_room_stands_fewer_times_and_other_runs_not_at_all():
    item = Item("value", Form("whole"), np.full((2, 4), 48, np.uint8))
    group = several([[item]] * 5, 0, 1)
    assert (group.width, group.within(24)) == (24, group)
    assert [each.name for each in group.within(15).items] == ["value_01", "value_02", "value_03"]
    assert group.within(3).items == group.within(-1).items == ()
    assert together(item, item).within(7).items == ()


def test_check_digits_are_right(made):
    checked = [(field, text) for one in made for field, text in sound(one) if field.form.check]
    assert checked
    for field, text in checked:
        assert SCHEMES[field.form.check](text[:-1]) == text[-1]


def test_the_same_seed_makes_the_same_bytes():
    for seed in (3, 42, 85):
        assert deck(seed).data == deck(seed).data


def test_other_seeds_make_other_bytes():
    assert deck(4).data != deck(4 + 2 * len(FAMILIES)).data


def test_halves_share_no_deck_and_have_every_family():
    calibration, reported = seeds("calibration", 150), seeds("reported", 150)
    assert len(calibration) == len(reported) == 150
    assert not set(calibration) & set(reported)
    assert {seed // 2 % len(FAMILIES) for seed in reported} == set(range(len(FAMILIES)))
    assert [one.seed for one in decks("reported", 2)] == [1, 3]

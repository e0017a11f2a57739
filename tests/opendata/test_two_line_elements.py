"""Two-line elements: check digits, five of them wrong, and records wider than a card.

Data: sgp4 2.27 (MIT), the verification set of AIAA 2006-6753 (named in the package). Columns and
the rule of the check digit from memory. The figures are those of sgp4.io.compute_checksum and
sgp4.api.Satrec.
"""

from __future__ import annotations

import math
from decimal import Decimal

import polars as pl
import pytest

# of all 33 pairs, and of the 30 pairs with both check digits right; sgp4.api.Satrec
TOTALS = {
    "object": ("781596", "681594"),
    "element_number": ("13435", "12383"),
    "revolutions": ("210978", "202667"),
    "inclination": ("1404.8936", "1239.9467"),
    "node": ("6954.2883", "6273.2161"),
    "eccentricity": ("11.2373374", "9.6820493"),
    "perigee": ("6014.3721", "5632.7827"),
    "anomaly": ("4050.7959", "3581.9165"),
    "motion": ("180.06445503", "175.06170289"),
    "day": ("6289.64197714", "5605.29682785"),
}
LINE1 = {"element_number", "day"}
# object, line -> digit punched, digit that it should be; sgp4.io.compute_checksum
WRONG = {
    ("33333", 1): ("4", 2),
    ("33333", 2): ("8", 0),
    ("33334", 1): ("9", 6),
    ("33335", 1): ("0", 3),
    ("33335", 2): ("1", 7),
}


@pytest.fixture(scope="module")
def deck(data_file):
    return data_file(
        "sgp4",
        "sgp4/SGP4-VER.TLE",
        "d246d1d9d768ace445a38a965713fa9ba52d80fd8a41a0502ff83d7acffe2881",
    )


@pytest.fixture(scope="module")
def lines(deck):
    return deck.read_text(encoding="ascii").splitlines()


@pytest.fixture(scope="module")
def elements(run, deck):
    return run("elements", deck)


@pytest.fixture(scope="module")
def pairs(elements):
    """Return all 33 pairs: line 1 joined with the line 2 on the next card."""
    table = elements.table("out/all.csv").with_columns(pl.col("card").cast(pl.Int64))
    first = table.filter(pl.col("card_type") == "line1").select("card", "object", *LINE1)
    second = table.filter(pl.col("card_type") == "line2").drop("object", *LINE1)
    return first.with_columns(pl.col("card") + 1).join(second, on="card", how="inner")


@pytest.fixture(scope="module")
def right_pairs(elements):
    """Return the pairs of which neither line was returned."""
    first = elements.table("out/right1.csv").with_columns(pl.col("card").cast(pl.Int64) + 1)
    second = elements.table("out/right2.csv").with_columns(pl.col("card").cast(pl.Int64))
    return first.join(second.drop("object"), on="card", how="inner")


def test_there_are_44_comments_and_33_of_each_line(elements):
    kinds = elements.table("out/all.csv")["card_type"].value_counts()
    assert dict(kinds.iter_rows()) == {"comment": 44, "line1": 33, "line2": 33}
    assert elements.stage(1)["in"] == 110


def test_every_pair_is_whole(pairs, right_pairs):
    assert (len(pairs), len(right_pairs)) == (33, 30)


@pytest.mark.parametrize("field", TOTALS)
def test_totals_of_all_33_pairs_are_exact(pairs, total, field):
    assert total(pairs, field) == Decimal(TOTALS[field][0])


@pytest.mark.parametrize("field", TOTALS)
def test_totals_of_the_30_right_pairs_are_exact(right_pairs, total, field):
    assert total(right_pairs, field) == Decimal(TOTALS[field][1])


def test_one_object_comes_twice_and_the_file_is_not_in_order(pairs, right_pairs):
    objects = pairs["object"].to_list()
    assert len(set(objects)) == 32
    assert [name for name in objects if objects.count(name) > 1] == ["20413", "20413"]
    assert objects != sorted(objects)
    assert right_pairs["object"].n_unique() == 29


def test_the_designator_is_blank_for_two_objects(elements):
    table = elements.table("out/all.csv").filter(pl.col("card_type") == "line1")
    assert table.filter(pl.col("designator").is_null())["object"].to_list() == ["11801", "88888"]


def test_exactly_the_five_wrong_check_digits_are_returned_each_named(elements, lines):
    reasons = elements.table("returned/reasons.csv")
    assert reasons["card"].to_list() == ["100", "101", "103", "106", "107"]
    assert reasons.select("reason", "column").rows() == [("check-digit", "69")] * 5
    named = [
        ((record[2:7], int(record[0])), found)
        for card, found in zip(reasons["card"], reasons["found"], strict=True)
        for record in [lines[int(card) - 1]]
    ]
    assert dict(named) == {key: punched for key, (punched, _) in WRONG.items()}
    assert elements.stage(4)["returned"] == 5
    assert elements.control["equation"] == {
        "in": 110, "added": 0, "out": 105, "returned": 5, "set_aside": 0, "holds": True,
    }  # fmt: skip


def test_the_same_five_are_queries_where_they_do_not_count(elements):
    assert elements.stage(2)["returned"] == 0
    queries = elements.table("queries.csv")
    assert set(queries["reason"]) == {"check-digit"}
    returned = elements.table("returned/reasons.csv")
    assert queries["card"].to_list() == returned["card"].to_list()


def test_returned_records_are_as_they_came(elements, lines, deck):
    reasons = elements.table("returned/reasons.csv")
    returned = (elements.folder / "returned" / deck.name).read_bytes()
    wanted = [lines[int(card) - 1] for card in reasons["card"]]
    assert returned == "".join(f"{line}\r\n" for line in wanted).encode("ascii")


def test_34_records_are_wider_than_a_card(run, deck, lines):
    on_cards = run("elements-on-cards", deck)
    reasons = on_cards.table("returned/reasons.csv")
    assert reasons["reason"].to_list() == ["long-line"] * 34
    first = [lines[int(card) - 1][0] for card in reasons["card"]]
    assert (first.count("2"), first.count("#")) == (33, 1)
    assert reasons.filter(pl.col("card") == "105").height == 1
    assert on_cards.stage(1)["out"] == 76
    returned = (on_cards.folder / "returned" / deck.name).read_bytes().splitlines()
    widths = [len(record) for record in returned]
    assert {width: widths.count(width) for width in widths} == {104: 32, 103: 1, 106: 1}


def test_the_reader_agrees_on_every_check_digit(reader, elements, lines):
    io = reader("sgp4.io")
    examined = [line for line in lines if line[0] in "12"]
    wrong = {
        (line[2:7], int(line[0])): (line[68], io.compute_checksum(line))
        for line in examined
        if int(line[68]) != io.compute_checksum(line)
    }
    assert len(examined) == 66
    assert wrong == WRONG
    cards = {int(card) for card in elements.table("returned/reasons.csv")["card"]}
    assert {(lines[card - 1][2:7], int(lines[card - 1][0])) for card in cards} == set(wrong)


def test_the_reader_agrees_on_the_fields_of_every_pair(reader, pairs, lines):
    satellite = reader("sgp4.api").Satrec
    degree = 180 / math.pi
    for row in pairs.iter_rows(named=True):
        card = row["card"]
        read = satellite.twoline2rv(lines[card - 2], lines[card - 1][:69])
        assert read.satnum == int(row["object"])
        assert read.elnum == int(row["element_number"])
        assert read.revnum == int(row["revolutions"])
        assert read.ecco == float(row["eccentricity"])
        motion = read.no_kozai * 1_440 / (2 * math.pi)  # revolutions a day
        assert motion == pytest.approx(float(row["motion"]), abs=1e-9)
        assert read.epochdays == pytest.approx(float(row["day"]), abs=1e-8)
        for name, field in (
            ("inclo", "inclination"),
            ("nodeo", "node"),
            ("argpo", "perigee"),
            ("mo", "anomaly"),
        ):
            assert getattr(read, name) * degree == pytest.approx(float(row[field]), abs=1e-9)

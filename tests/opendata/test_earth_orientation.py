"""Earth orientation: 20,074 records of 187 columns, more than twice as wide as a card.

Data: astropy-iers-data 0.2026.11.2.0.34.55 (BSD-3-Clause). Layout: ReadMe.finals2000A beside it.
The figures are those of column slicing, and of astropy.utils.iers.IERS_A where it is named.
"""

from __future__ import annotations

from decimal import Decimal

import polars as pl
import pytest

FINAL = {"pole_x": "1259.382534", "pole_y": "6339.976404", "ut1_utc": "80.6417194"}


@pytest.fixture(scope="module")
def deck(data_file):
    return data_file("astropy-iers-data", "astropy_iers_data/data/finals2000A.all", "95a61292")


@pytest.fixture(scope="module")
def days(run, deck, small_pieces):
    return run("earth-orientation", deck, sizes=small_pieces)


@pytest.fixture(scope="module")
def table(days):
    return days.table("out/days.csv")


def test_records_by_state_are_exact_and_none_is_returned(days, table):
    states = dict(table["state"].value_counts().iter_rows())
    assert states == {"I": 19_652, "P": 372, None: 50}
    assert days.control["equation"]["out"] == 20_074


def test_the_total_of_days_is_exact(table, total):
    assert total(table, "day") == Decimal("1038237317.00")


@pytest.mark.parametrize("field", FINAL)
def test_totals_of_final_values_are_exact(table, total, field):
    assert total(table.filter(pl.col("state") == "I"), field) == Decimal(FINAL[field])


def test_totals_up_to_a_day_are_those_of_the_reader(table, total):
    early = table.filter(pl.col("day").cast(pl.Float64) <= 60_000)
    assert len(early) == 18_317
    assert total(early, "pole_x") == Decimal("1067.612794")  # astropy.utils.iers.IERS_A
    assert total(early, "ut1_utc") == Decimal("48.2145333")  # astropy.utils.iers.IERS_A


def test_the_reader_agrees_on_every_value(reader, table, deck):
    iers = reader("astropy.utils.iers").IERS_A.open(str(deck))
    kept = table.filter(pl.col("state").is_not_null())
    assert len(iers) == len(kept) == 20_024
    for ours, theirs in (("day", "MJD"), ("pole_x", "PM_x_A"), ("ut1_utc", "UT1_UTC_A")):
        found = kept[ours].cast(pl.Float64).to_numpy()
        assert (found == iers[theirs].value).all()

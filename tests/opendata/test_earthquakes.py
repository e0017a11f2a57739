"""Earthquake records: seven record types told by column 80, blanks that are blanks.

Data: obspy 1.5.1 (LGPL-3.0), read where it is installed, never copied. Columns of the Nordic
format (appendix of the SEISAN manual) from memory. The figures are those of column slicing, and of
obspy.io.nordic.core.read_nordic where it reads the field. That reader needs far more than its own
package, so it is not asked here.
"""

from __future__ import annotations

from decimal import Decimal

import polars as pl
import pytest

KINDS = {
    "hypocentre": 50, "errors": 50, "identification": 50, "waveform": 50, "heading": 50,
    "phase": 708, "gap": 50,
}  # fmt: skip
HYPOCENTRES = {
    "latitude": "-2167.170",
    "longitude": "8518.214",
    "depth": "381.5",
    "stations": "402",
    "residual": "7.5",
    "magnitude": "55.0",
}


@pytest.fixture(scope="module")
def deck(data_file):
    return data_file(
        "obspy",
        "obspy/io/nordic/tests/data/select.out",
        "4f3a27335c8b93d0c2a68a00ca5729ec6049ef08b89a7a52ad6c5272864e4cf9",
    )


@pytest.fixture(scope="module")
def quakes(run, deck):
    return run("quakes", deck)


@pytest.fixture(scope="module")
def phases(quakes):
    return quakes.table("out/phases.csv")


def test_records_by_type_are_exact_and_none_is_returned(quakes):
    records = quakes.table("out/records.csv")
    assert dict(records["card_type"].value_counts().iter_rows()) == KINDS
    assert quakes.control["equation"] == {
        "in": 1_008, "added": 0, "out": 1_008, "returned": 0, "set_aside": 0, "holds": True,
    }  # fmt: skip


def test_50_events_have_11_to_36_records(quakes):
    records = quakes.table("out/records.csv").with_columns(pl.col("card").cast(pl.Int64))
    ends = records.filter(pl.col("card_type") == "gap")["card"].to_list()
    # the blank record that ends an event is not one of its records
    sizes = [end - before - 1 for before, end in zip([0, *ends[:-1]], ends, strict=True)]
    assert ends[-1] == 1_008
    assert (len(sizes), min(sizes), max(sizes)) == (50, 11, 36)


def test_blank_records_are_set_aside_where_the_job_keeps_none(run, deck):
    ordered = run("quakes-in-order", deck)
    assert ordered.stage(1)["set_aside"] == 50
    assert ordered.stage(2)["in"] == 958
    aside = (ordered.folder / "set-aside" / deck.name).read_bytes()
    assert aside.replace(b" ", b"") == b"\n" * 50


def test_phases_and_stations_are_exact(phases):
    kinds = phases["phase"].value_counts()
    assert dict(kinds.iter_rows()) == {"P": 230, "S": 213, "IAML": 265}
    assert phases["station"].n_unique() == 21


@pytest.mark.parametrize("field", HYPOCENTRES)
def test_totals_of_hypocentres_are_exact(quakes, total, field):
    assert total(quakes.table("out/hypocentres.csv"), field) == Decimal(HYPOCENTRES[field])


def test_totals_of_phases_are_exact(phases, total):
    assert total(phases, "second") == Decimal("18912.24")
    amplitudes = phases.filter(pl.col("amplitude").is_not_null())
    assert len(amplitudes) == 265
    assert total(amplitudes, "amplitude") == Decimal("4424.9")
    assert total(amplitudes, "period") == Decimal("74.218")


def test_blank_distances_are_missing_and_not_zero(phases, total):
    arrivals = phases.filter(pl.col("phase").is_in(["P", "S"]))
    assert len(arrivals) == 443
    assert arrivals["distance"].null_count() == 9
    assert total(arrivals, "distance") == 5_100
    assert total(arrivals, "azimuth") == 69_765


def test_34_periods_begin_in_the_column_before(deck, phases):
    lines = deck.read_text(encoding="ascii").splitlines()
    early = [int(card) for card in phases["card"] if lines[int(card) - 1][40] == "0"]
    assert len(early) == 34
    row = phases.row(phases["card"].to_list().index("12"), named=True)
    assert lines[11][36:45] == "10.90.232"
    assert Decimal(row["amplitude"]) == Decimal("10.9")
    assert Decimal(row["period"]) == Decimal("0.232")


def test_only_events_7_and_8_are_out_of_order(run, deck, quakes):
    arrived = quakes.table("out/hypocentres.csv")["card"].to_list()
    ordered = run("quakes-in-order", deck).table("out/hypocentres.csv")["card"].to_list()
    wanted = arrived.copy()
    wanted[6], wanted[7] = arrived[7], arrived[6]
    assert ordered == wanted
    eighth = quakes.table("out/hypocentres.csv").row(7, named=True)
    assert (eighth["date"], eighth["hour"], eighth["minute"]) == ("2013-09-05", "2", "8")
    assert Decimal(eighth["second"]) == Decimal("15.0")


def test_the_deck_punched_and_read_again_is_the_very_same(run, deck):
    punched = run("punch", deck)
    assert len(punched.deck("punched.cbn")) == 1_008 * 160
    printed = run("read-punched", punched.folder / "out" / "punched.cbn")
    assert printed.deck("printed.txt") == deck.read_bytes()

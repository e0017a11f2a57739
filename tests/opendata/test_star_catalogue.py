"""Star catalogue: a detail file matched with its master on a key of two parts.

Data: astropy 8.0.2 (BSD-3-Clause), CDS catalogue J/A+A/511/A56. Columns: the byte-by-byte
description in the ReadMe beside the data. The figures are those of astropy.io.ascii, format "cds".
"""

from __future__ import annotations

import gzip
from decimal import Decimal

import numpy as np
import polars as pl
import pytest

FOLDER = "astropy/io/ascii/tests/data/vizier/"
MASTERS = {"b": "199.31", "v": "181.55", "exposures": "66", "time": "120895", "ratio": "1160"}
DETAILS = {
    "wavelength": "309478.39",
    "ion": "52",
    "excitation": "139.92",
    "log_gf": "-67.29",
    "width": "3657.5",
    "width_error": "237.7",
    "quality": "40.608",
}


@pytest.fixture(scope="module")
def master(data_file):
    return data_file("astropy", FOLDER + "table1.dat", "ca1684a3")


@pytest.fixture(scope="module")
def detail(data_file, tmp_path_factory):
    packed = data_file("astropy", FOLDER + "table5.dat.gz", "5aa13ded")
    path = tmp_path_factory.mktemp("stars") / "table5.dat"
    path.write_bytes(gzip.decompress(packed.read_bytes()))
    return path


@pytest.fixture(scope="module")
def readme(data_file):
    return data_file("astropy", FOLDER + "ReadMe", "f0143acb")


@pytest.fixture(scope="module")
def stars(run, master):
    return run("stars", master)


@pytest.fixture(scope="module")
def lines(run, detail, master):
    return run("star-lines", detail, replaced={"stars": master})


def test_the_master_has_15_records_wider_than_a_card_and_none_is_returned(stars, master):
    widths = [len(line) for line in master.read_bytes().splitlines()]
    assert (len(widths), min(widths), max(widths)) == (15, 91, 103)
    assert stars.control["equation"]["out"] == 15


def test_the_master_is_in_order_on_its_key(stars):
    assert stars.table("out/stars.csv")["card"].to_list() == [str(n) for n in range(1, 16)]


@pytest.mark.parametrize("field", MASTERS)
def test_totals_of_the_master_are_exact(stars, total, field):
    assert total(stars.table("out/stars.csv"), field) == Decimal(MASTERS[field])


def test_all_49_details_meet_one_master_and_14_masters_none(lines):
    facts = lines.stage(3)["facts"]
    assert facts["matched"] == 49
    assert facts["without_master"] == 0
    assert facts["masters"] == 15
    assert facts["masters_without_card"] == 14
    table = lines.table("out/lines.csv")
    assert set(table.select("cluster", "star", "v").iter_rows()) == {("Cr110", "2108", "13.35")}
    assert set(table["star_name"]) == {"Cl* Collinder 110 DI 2108"}


def test_the_masters_without_detail_are_listed(lines, stars):
    alone = lines.table("out/stars-without-card.csv")
    assert alone["record"].to_list() == [str(n) for n in range(2, 16)]
    assert alone["time"].to_list() == stars.table("out/stars.csv")["time"].to_list()[1:]


def test_both_parts_of_the_key_count(run, detail, tmp_path, master):
    changed = tmp_path / "stars.dat"
    changed.write_bytes(master.read_bytes().replace(b"Cr110   2108", b"Cr111   2108"))
    reasons = []
    for key in (b"Cr111   2108", b"Cr110   2109"):
        changed.write_bytes(master.read_bytes().replace(b"Cr110   2108", key))
        found = run("star-lines", detail, replaced={"stars": changed})
        reasons.append(found.reasons())
    assert reasons == [{("fatal", "no-master", "cluster"): 49}] * 2


@pytest.mark.parametrize("field", DETAILS)
def test_totals_of_the_details_are_exact(lines, total, field):
    assert total(lines.table("out/lines.csv"), field) == Decimal(DETAILS[field])


def test_no_value_is_missing_and_is_not_added(lines, total):
    table = lines.table("out/lines.csv")
    alone = table.filter(pl.col("width").is_null())
    assert alone["wavelength"].to_list() == ["5294.55"]
    assert alone.select("width_error", "quality").row(0) == (None, None)
    assert total(table, "width") + Decimal("-9.9") == Decimal("3647.6")


def test_the_package_holds_fewer_details_than_its_readme_states(lines, readme):
    stated = next(
        int(line.split()[2])
        for line in readme.read_text(encoding="latin-1").splitlines()
        if line.startswith("table5.dat")
    )
    assert stated == 5_265
    assert lines.control["equation"]["in"] == 49


def test_the_reader_agrees_on_every_value(reader, lines, stars, master, detail, readme):
    ascii_reader = reader("astropy.io.ascii")
    for table, path, names in (
        (
            stars.table("out/stars.csv"), master,
            {"star": "Star", "b": "Bmag", "v": "Vmag", "i": "Icmag", "r": "Rmag",
             "exposures": "NExp", "time": "TExp", "ratio": "S/N"},
        ),
        (
            lines.table("out/lines.csv"), detail,
            {"star": "Star", "wavelength": "Wave", "ion": "ion", "excitation": "chiEx",
             "log_gf": "loggf", "width": "EW", "width_error": "e_EW", "quality": "Q"},
        ),
    ):  # fmt: skip
        read = ascii_reader.read(str(path), readme=str(readme), format="cds")
        for ours, theirs in names.items():
            wanted = np.ma.filled(np.ma.asarray(read[theirs], dtype=float), np.nan)
            found = table[ours].cast(pl.Float64).to_numpy()
            np.testing.assert_array_equal(found, wanted)

"""FITS headers: records of 80 characters without line ends, in blocks of 36.

Data: astropy 8.0.2 (BSD-3-Clause). Rules of FITS Standard 4.0, sections 4.1, 4.2 and appendix J,
from memory. The integer totals are those of astropy.io.fits, the counts those of slicing.

The checksums run over header and data, and data are no cards, so no stage checks them. What is
checked: the header as the program delivers it, put before its data again, still gives the very
checksum; and the stored sums are read as they stand in the header.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest

FOLDER = "astropy/io/fits/tests/data/"
BLOCK = 2_880


@dataclass(frozen=True)
class File:
    """A file: first digits of its SHA-256, records to END per unit, places, integers, their sum."""

    name: str
    sha256: str
    records: tuple[int, ...]
    places: int
    integers: int
    total: int


FILES = [
    File(
        "o4sp040b0_raw.fits", "db9e48493b226276", (216, 142, 72, 72, 142, 72, 72),
        792, 104, 7_137_391,
    ),
    File("checksum.fits", "80a6eddb9b9a0b62", (107, 52), 180, 14, 51_377),
    File("checksum_false.fits", "dd05a0919709f923", (73, 53), 180, 14, 51_377),
    File("fixed-1890.fits", "6964192bbd4cc154", (144,), 144, 63, 83_172),
]  # fmt: skip
# sums over header and data of each unit; then data sums as stored and as computed
CHECKSUMS = {
    "checksum.fits": [0xFFFFFFFF, 0xFFFFFFFF],
    "checksum_false.fits": [0x404ACCEA, 0x3A52CBEA],
}
STORED = {
    "checksum.fits": [3_949_456_131, 2_008_423_139],
    "checksum_false.fits": [3_949_466_131, 2_018_423_139],
}
COMPUTED = [3_949_456_131, 2_008_423_139]


@dataclass(frozen=True)
class Unit:
    """A header and its data, as bytes."""

    header: bytes
    data: bytes


def _units(whole):
    units = []
    start = 0
    while start < len(whole):
        after = start
        while not any(record.startswith(b"END     ") for record in _cards(whole[start:after])):
            after += BLOCK
        size = -(-_data_size(_cards(whole[start:after])) // BLOCK) * BLOCK
        units.append(Unit(whole[start:after], whole[after : after + size]))
        start = after + size
    return units


def _cards(header):
    return [header[place : place + 80] for place in range(0, len(header), 80)]


def _data_size(records):
    """Return the bytes of data after a header: FITS Standard 4.0, section 4.4.1.1 (memory)."""

    def whole_number(keyword, other):
        for record in records:
            if record[:10] == keyword.ljust(8).encode() + b"= ":
                return int(record[10:30])
        return other

    axes = [whole_number(f"NAXIS{n}", 0) for n in range(1, whole_number("NAXIS", 0) + 1)]
    values = math.prod(axes) if axes else 0
    groups, extra = whole_number("GCOUNT", 1), whole_number("PCOUNT", 0)
    return abs(whole_number("BITPIX", 8)) // 8 * groups * (extra + values)


def _ones_complement(data):
    """Return the 32-bit ones' complement sum, FITS Standard 4.0, appendix J (memory)."""
    total = int(np.frombuffer(data, ">u4").sum(dtype=np.uint64))
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


@pytest.fixture(scope="module")
def headers(run, data_file, tmp_path_factory):
    """Return a runner: file -> its units, the run over their headers (each unit a deck)."""
    done = {}

    def start(file):
        if file.name not in done:
            units = _units(data_file("astropy", FOLDER + file.name, file.sha256).read_bytes())
            folder = tmp_path_factory.mktemp("headers")
            decks = []
            for number, unit in enumerate(units):
                decks.append(folder / f"unit{number}.dat")
                decks[-1].write_bytes(unit.header)
            done[file.name] = units, run("fits-header", *decks)
        return done[file.name]

    return start


def _name(file):
    return file.name.partition(".")[0]


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_records_to_the_end_of_each_header_are_exact(headers, file):
    _, found = headers(file)
    records = found.table("out/records.csv")
    ends = [int(card) for card in records.filter(pl.col("card_type") == "end")["card"]]
    firsts = [deck["first_card"] for deck in found.control["decks"]]
    counted = tuple(end - first + 1 for end, first in zip(ends, firsts, strict=True))
    assert counted == file.records
    assert len(records) == file.places
    assert found.control["equation"]["returned"] == 0


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_after_the_end_of_a_header_there_are_blank_records_only(headers, file):
    _, found = headers(file)
    kinds = found.table("out/records.csv")["card_type"].to_list()
    for deck, used in zip(found.control["decks"], file.records, strict=True):
        first = deck["first_card"] - 1
        assert set(kinds[first + used : first + deck["cards"]]) <= {"blank"}


def test_119_records_are_hierarch(headers):
    _, found = headers(FILES[3])
    kinds = found.table("out/records.csv")["card_type"].to_list()
    assert kinds.count("hierarch") == 119


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_integers_and_their_total_are_exact(headers, total, file):
    _, found = headers(file)
    integers = found.table("out/integers.csv")
    assert (len(integers), total(integers, "integer")) == (file.integers, file.total)


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_headers_are_delivered_as_they_came(headers, file):
    units, found = headers(file)
    assert found.deck("headers.dat") == b"".join(unit.header for unit in units)


@pytest.mark.parametrize("file", FILES[1:3], ids=_name)
def test_delivered_headers_and_their_data_give_the_checksums(headers, file):
    units, found = headers(file)
    delivered = found.deck("headers.dat")
    sums = []
    for unit, deck in zip(units, found.control["decks"], strict=True):
        first = (deck["first_card"] - 1) * 80
        header = delivered[first : first + deck["cards"] * 80]
        sums.append(_ones_complement(header + unit.data))
    assert sums == CHECKSUMS[file.name]


@pytest.mark.parametrize("file", FILES[1:3], ids=_name)
def test_stored_data_sums_are_read_and_two_of_four_are_wrong(headers, file):
    units, found = headers(file)
    sums = found.table("out/records.csv").filter(pl.col("keyword") == "DATASUM")["content"]
    stored = [int(text.split("'")[1]) for text in sums]
    assert stored == STORED[file.name]
    assert [_ones_complement(unit.data) for unit in units] == COMPUTED
    assert (stored == COMPUTED) == (file.name == "checksum.fits")


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_the_reader_agrees_on_every_integer(reader, headers, data_file, file):
    fits = reader("astropy.io.fits")
    _, found = headers(file)
    with fits.open(data_file("astropy", FOLDER + file.name, file.sha256)) as units:
        values = [card.value for unit in units for card in unit.header.cards]
    wanted = [value for value in values if type(value) is int]
    assert [int(text) for text in found.table("out/integers.csv")["integer"]] == wanted

"""EBCDIC text headers: 40 records of 80 without line ends, in four files that differ.

Data: obspy 1.5.1 (LGPL-3.0), read where it is installed, never copied. Rule: SEG-Y rev 1 (2002)
and Barry, Cavers, Kneale, Geophysics 40 (1975), from memory: 40 records that begin C01 to C40,
in EBCDIC. The figures are those of slicing; segyio 1.9.14 returns the same characters.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import polars as pl
import pytest

FOLDER = "obspy/io/segy/tests/data/"
SIZE = 3_200


@dataclass(frozen=True)
class Header:
    """A file: first digits of its SHA-256, code, what is counted, SHA-256 of the characters."""

    file: str
    sha256: str
    job: str
    marked: int
    numbered: int
    filled: int
    text: str


HEADERS = [
    Header(
        "ld0042_file_00018.sgy_first_trace", "db91aa49daf8783c", "text-header-ebcdic",
        40, 40, 1_484,
        "971f0c96373153e6d07ca461a201dd6e4c7e9518b9322493aa890bc13567675b",
    ),
    Header(
        "example.y_first_trace", "faa831f0f0357b2a", "text-header-ebcdic", 40, 8, 152,
        "d7e656eb4d5f5700dc6f78ac59c8ef8c9e296cdb6b9150ec21f9d44961ca11a0",
    ),
    Header(
        "planes.segy_first_trace", "bca5feec2dcafd50", "text-header-ebcdic", 20, 0, 98,
        "c90a5e97641b922763b80cb9983e8022741b7f2be2d5f6c932ae4b44a2c4aa5d",
    ),
    Header(
        "00001034.sgy_first_trace", "c3f41b693affed8d", "text-header-ascii", 39, 39, 948,
        "c4aad24ac8704fe5553c70b23e8927f8599244217110ef8946d0e94ff5b5b581",
    ),
]  # fmt: skip
EBCDIC = HEADERS[:3]
ASCII = HEADERS[3]


@pytest.fixture
def cut(data_file, tmp_path):
    """Return a cutter: a header -> a deck of its 3,200 bytes."""

    def deck(header):
        whole = data_file("obspy", FOLDER + header.file, header.sha256).read_bytes()
        path = tmp_path / header.file
        path.write_bytes(whole[:SIZE])
        return path

    return deck


def _names(header):
    return header.file.split(".")[0]


@pytest.mark.parametrize("header", HEADERS, ids=_names)
def test_the_characters_are_exact(run, cut, header):
    text = run(header.job, cut(header)).deck("plain.txt").decode("latin-1")
    assert hashlib.sha256(text.encode("utf-8")).hexdigest() == header.text
    assert sum(character != " " for character in text) == header.filled


@pytest.mark.parametrize("header", HEADERS, ids=_names)
def test_records_that_begin_with_c_and_those_numbered_right_are_exact(run, cut, header):
    found = run(header.job, cut(header))
    table = found.table("out/records.csv")
    right = table.filter(pl.col("number") == pl.col("card"))
    assert (len(table), len(right)) == (header.marked, header.numbered)
    assert found.control["equation"]["returned"] == 40 - header.marked


@pytest.mark.parametrize("header", EBCDIC, ids=_names)
def test_code_pages_037_and_500_give_the_same_text(run, cut, header):
    deck = cut(header)
    assert run("text-header-ebcdic", deck).deck("plain.txt") == run(
        "text-header-ebcdic-500", deck
    ).deck("plain.txt")


def test_the_record_that_begins_otherwise_is_returned_and_named(run, cut):
    deck = cut(ASCII)
    found = run(ASCII.job, deck)
    reasons = found.table("returned/reasons.csv")
    assert reasons.select("card", "reason", "field").rows() == [("27", "not-in-list", "mark")]
    returned = (found.folder / "returned" / deck.name).read_bytes()
    assert returned == deck.read_bytes()[26 * 80 : 27 * 80]


def test_blank_records_are_returned_as_they_came(run, cut):
    deck = cut(HEADERS[2])
    found = run("text-header-ebcdic", deck)
    reasons = found.table("returned/reasons.csv")
    assert reasons["card"].to_list() == [str(card) for card in range(2, 41, 2)]
    assert set(reasons["reason"]) == {"blank"}
    assert (found.folder / "returned" / deck.name).read_bytes() == b"\x40" * 80 * 20


def test_a_null_in_the_text_is_kept(run, cut):
    text = run("text-header-ebcdic", cut(HEADERS[1])).deck("plain.txt")
    assert text.index(b"\0") == 39 * 80 + 78
    assert text.count(b"\0") == 1


def test_a_deck_in_another_code_stops_and_the_message_names_the_code(refused, cut):
    code, message = refused("text-header-ebcdic", cut(ASCII))
    assert code == 4
    assert "40 of 40 cards failed" in message
    assert "code 'ascii' would fail only 2 % of 40 cards" in message


@pytest.mark.parametrize("header", EBCDIC, ids=_names)
def test_the_reader_returns_the_same_characters(reader, run, cut, data_file, header):
    segyio = reader("segyio")
    file = data_file("obspy", FOLDER + header.file, header.sha256)
    endian = "little" if header.file.startswith("planes") else "big"
    with segyio.open(str(file), ignore_geometry=True, strict=False, endian=endian) as opened:
        read = bytes(opened.text[0])
    assert run(header.job, cut(header)).deck("plain.txt") == read

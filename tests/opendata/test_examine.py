"""What `deckwright examine` finds out alone about files that nobody made for it.

The files are those of the other tests on open data. Beside each figure stands where it is
published; column positions from memory are marked so. Figures that an independent reader or plain
column slicing gave are those of the tests beside this one.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from deckwright.examine.deck import examine
from deckwright.examine.model import Examination, Guess

Finder = Callable[[str, str, str], Path]


def fields(found: Examination, values: list[str] | None = None) -> dict[str, Guess]:
    """Return the guessed fields by columns, of the type with these values or of the only one."""
    types = found.types.types
    one = types[0] if values is None else next(t for t in types if list(t.values) == values)
    return {guess.columns: guess for guess in one.guesses}


def cards_of_types(found: Examination) -> dict[str, int]:
    """Return how many cards each type has, by its values."""
    return {"/".join(one.values): one.cards for one in found.types.types}


@pytest.fixture(scope="module")
def earthquakes(data_file: Finder) -> Examination:
    """Return the phase records. Source: Nordic format, appendix of the SEISAN manual (memory)."""
    path = "obspy/io/nordic/tests/data/select.out"
    return examine([data_file("obspy", path, "4f3a27335c8b93d0")])


def test_earthquake_records_are_lines_of_eighty_columns(earthquakes) -> None:
    assert earthquakes.reading.options == {"kind": "text", "code": "ascii"}
    assert (earthquakes.cards, earthquakes.width) == (1_008, 80)
    assert earthquakes.reading.sure
    # a wholly blank record ends each of 50 events: Nordic format
    assert {odd.reason: odd.count for odd in earthquakes.odd} == {"blank": 50}


def test_column_eighty_tells_the_type_of_an_earthquake_record(earthquakes) -> None:
    # column 80: 1 hypocentre, E error, I identification, 6 waveform file, 7 heading, blank a phase:
    # Nordic format (memory)
    assert earthquakes.types.columns == "80"
    assert cards_of_types(earthquakes) == {" ": 708, "1": 50, "6": 50, "7": 50, "E": 50, "I": 50}
    hypocentre = fields(earthquakes, ["1"])
    # type 1: 24-30 latitude, 31-38 longitude, 39-43 depth: Nordic format (memory). The longitude
    # uses 32-38 in these records, and the depth 40-43.
    for columns, decimals in {"24-30": 3, "32-38": 3, "40-43": 1}.items():
        assert hypocentre[columns].options["decimals"] == decimals
        assert hypocentre[columns].options["point"] == "punched"
    assert hypocentre["24-30"].options["sign"] == "leading"


@pytest.fixture(scope="module")
def elements(data_file: Finder) -> Examination:
    """Return the two-line elements. Source: the verification set of AIAA 2006-6753."""
    return examine([data_file("sgp4", "sgp4/SGP4-VER.TLE", "d246d1d9d768ace4")])


def test_lines_of_elements_are_wider_than_cards_and_of_three_types(elements) -> None:
    # 44 comments, 33 lines 1, 33 lines 2, the longest 106 wide: counted in the file
    assert elements.width == 106
    assert elements.cards == 110
    assert elements.types.columns == "1"
    assert cards_of_types(elements) == {"#": 44, "1": 33, "2": 33}
    assert sum(elements.lengths.values()) == 110


def test_numbers_of_the_elements_stand_where_their_format_has_them(elements) -> None:
    second = fields(elements, ["2"])
    # inclination 9-16, node 18-25, perigee 35-42, anomaly 44-51, all with four decimals (memory)
    for columns in ("10-16", "18-25", "35-42", "44-51"):
        assert second[columns].what == "decimal number"
        assert second[columns].options["decimals"] == 4
    assert second["27-33"].what == "whole number"  # eccentricity, its point assumed (memory)
    # 5 of 66 check digits are wrong on purpose, and lines of 33 prove little: none is claimed
    assert not any("check" in guess.what for guess in second.values())


def test_a_deck_of_geometry_proves_its_sections_and_sequence(data_file) -> None:
    path = "pyiges/examples/impeller.igs"
    found = examine([data_file("pyiges", path, "c9fa023feddc88df")])
    # column 73 section letter, 74-80 sequence from 1 in each section: IGES 5.3 (memory). The T
    # record of the file counts S 1, G 5, D 9230, P 39952.
    assert (found.cards, found.width) == (49_189, 80)
    assert found.types.columns == "73"
    assert cards_of_types(found) == {"D": 9_230, "P": 39_952, "": 7}
    (numbers,) = found.sequences
    assert (numbers.last, numbers.step, numbers.gaps) == (80, 1, 0)
    # G, D, P and T begin with 1 again, as the letter of the section changes
    assert (numbers.sections, numbers.again) == ((73,), 4)
    assert numbers.step_downs + numbers.doubles == 0
    assert fields(found, ["D"])["73"].what == "constant"


@pytest.mark.parametrize(
    ("name", "sha256", "code", "numbered"),
    [
        ("ld0042_file_00018.sgy_first_trace", "db91aa49daf8783c", "cp037", True),
        ("example.y_first_trace", "faa831f0f0357b2a", "cp037", False),
        ("planes.segy_first_trace", "bca5feec2dcafd50", "cp037", False),
        ("00001034.sgy_first_trace", "c3f41b693affed8d", "ascii", True),
    ],
)
def test_text_headers_tell_their_code_also_against_the_rule(
    data_file, tmp_path, name, sha256, code, numbered
) -> None:
    # the first 3,200 bytes are 40 records of 80 in EBCDIC, C01 to C40: SEG-Y rev 1 (memory); the
    # last file is in ASCII against that rule, which an independent reader takes for EBCDIC
    whole = data_file("obspy", f"obspy/io/segy/tests/data/{name}", sha256)
    head = tmp_path / "head"
    head.write_bytes(whole.read_bytes()[:3_200])
    found = examine([head])
    assert found.code.name == code
    assert (found.cards, found.width) == (40, 80)
    assert found.reading.options["kind"] == "blocks"
    running = [(facts.first, facts.last) for facts in found.sequences]
    assert running == ([(2, 3)] if numbered else [])


def test_a_code_that_the_cells_do_not_tell_is_asked_for(data_file, tmp_path) -> None:
    # 152 columns of this header are punched, and its signs differ between code pages 037 and 273
    path = "obspy/io/segy/tests/data/example.y_first_trace"
    head = tmp_path / "head"
    head.write_bytes(data_file("obspy", path, "faa831f0f0357b2a").read_bytes()[:3_200])
    reading = examine([head]).reading
    assert not reading.sure
    assert "'cp037' or 'cp273'" in reading.question


def test_headers_with_data_behind_them_are_read_as_far_as_they_are_text(data_file) -> None:
    path = "astropy/io/fits/tests/data/o4sp040b0_raw.fits"
    found = examine([data_file("astropy", path, "db9e48493b226276")])
    # header records of 80 characters, ASCII, a value where columns 9 and 10 hold "= ", and blank
    # fill to 2,880 bytes: FITS standard 4.0, sections 3.3.1, 4.1 and 4.2 (memory)
    assert found.code.name == "ascii"
    assert found.width == 80
    assert found.types.column == 9
    values = next(one for one in found.types.types if list(one.values) == ["="])
    assert values.cards > 400
    assert "hold no text and are left out" in found.reading.media.sentence


def test_a_file_that_is_mostly_data_is_asked_about(data_file) -> None:
    path = "astropy/io/fits/tests/data/fixed-1890.fits"
    # 144 of its 396 places of 80 bytes are header records
    assert not examine([data_file("astropy", path, "6964192bbd4cc154")]).counted


def test_orientation_records_of_187_columns_are_not_cut_at_eighty(data_file) -> None:
    path = "astropy_iers_data/data/finals2000A.all"
    found = examine([data_file("astropy-iers-data", path, "95a61292")])
    # positions: ReadMe.finals2000A beside the file. 8-15 day, 19-27 x, 28-36 its error, 38-46 y,
    # 59-68 UT1-UTC, 96 flag I or P of the nutation values
    assert (found.cards, found.width) == (20_074, 187)
    assert found.types.columns == "96"
    days = next(facts for facts in found.sequences if facts.first == 8)
    assert (days.last, days.step, days.gaps, days.step_downs, days.doubles) == (12, 1, 0, 0, 0)
    measured = fields(found, ["I"])
    assert measured["19-27"].options == {
        "kind": "decimal", "decimals": 6, "point": "punched", "sign": "leading", "fill": " ",
    }  # fmt: skip
    assert measured["59-68"].options["decimals"] == 7


def test_a_compressed_catalogue_is_examined_inside(data_file, tmp_path) -> None:
    path = "astropy/io/ascii/tests/data/vizier/table5.dat.gz"
    packed = data_file("astropy", path, "5aa13ded")
    found = examine([packed])
    # byte-by-byte description of table5 in the ReadMe beside it: 49 records of 56 here; 14-20
    # wavelength, 26-30 excitation, 32-37 log gf, 39-43 width, 46-49 its error, 51-56 quality
    assert (found.cards, found.width) == (49, 56)
    assert found.reading.options["inside"]["record_length"] == 56
    by_columns = fields(found)
    for columns in ("27-30", "33-37", "39-43", "46-49", "51-56"):
        assert by_columns[columns].what == "decimal number"
    # the same in an archive with the catalogue's other table: a person must choose
    both = tmp_path / "both.zip"
    with zipfile.ZipFile(both, "w") as archive:
        archive.writestr("table5.dat", gzip.decompress(packed.read_bytes()))
        master = data_file("astropy", path.replace("table5.dat.gz", "table1.dat"), "ca1684a3")
        archive.writestr("table1.dat", master.read_bytes())
    asked = examine([both])
    assert not asked.counted
    assert [one.name for one in asked.reading.candidates] == [
        "table5.dat: text (56) in 'ascii'",
        "table1.dat: text (103) in 'ascii'",
    ]


def test_the_same_cards_are_recognised_on_every_medium(data_file, tmp_path) -> None:
    source = data_file("pyiges", "pyiges/examples/sample.igs", "3533b019")
    lines = source.read_bytes().splitlines()
    cards = b"".join(line.ljust(80)[:80] for line in lines)
    # a record descriptor word is the length with itself, and two zero bytes (memory)
    words = b"".join((len(line) + 4).to_bytes(2, "big") + bytes(2) + line for line in lines)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("sample.igs", source.read_bytes())
    for name, data, kind in (
        ("blocks", cards, {"kind": "blocks", "record_length": 80}),
        ("variable", words, {"kind": "records", "form": "variable"}),
        ("zip", packed.getvalue(), {"kind": "wrapped"}),
    ):
        (tmp_path / name).write_bytes(data)
        found = examine([tmp_path / name])
        assert kind.items() <= found.reading.options.items()
        assert found.code.name == "ascii"
        assert found.cards == 63  # S 37, G 3, D 10, P 12, T 1: its T record

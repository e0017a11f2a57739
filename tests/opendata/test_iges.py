"""IGES geometry: sequence numbers, control totals, master and detail in one deck.

Data: pyiges 0.3.4 (MIT). Columns from memory of IGES 5.3 (US PRO/IPO-100, formerly ANSI Y14.26M).
The figures are those of pyiges and of column slicing with decimal arithmetic, which agree.

No stage says by itself that a sequence number is missing or comes twice. The records are named
all the same, with stages that are there: `reproduce` numbers the cards as they stand and `emit`
lists those whose sequence number is another; `merge` lists directory records without parameters.
Parameter values are in free form (commas, no columns), so the tests split them; which entity a
record belongs to is what the program found.
"""

from __future__ import annotations

import hashlib
import random
from decimal import Decimal

import polars as pl
import pytest

SHA256 = "c9fa023feddc88dfc5a73da00d3cd2d9987b94b27237f28a7f91b09881203df5"
SECTIONS = {"S": 1, "G": 5, "D": 9_230, "P": 39_952, "T": 1}
ENTITIES = {
    "100": 468, "102": 558, "110": 98, "120": 30, "124": 315, "126": 2_342, "128": 247,
    "142": 279, "144": 277, "314": 1,
}  # fmt: skip
# fields 2 and on of the parameter data
LINE_TOTALS = [
    "-75.677767986", "0", "23576.705843682", "-75.937899912", "0", "1564.178039637",
]  # fmt: skip
ARC_TOTALS = [
    "-3944.462024514", "-22.207646552", "-0.00000001", "6941.965927036", "-0.00000001",
    "6049.242852230", "761.969329113",
]  # fmt: skip


@pytest.fixture(scope="module")
def deck(data_file):
    return data_file("pyiges", "pyiges/examples/impeller.igs", SHA256)


@pytest.fixture(scope="module")
def delivered(run, deck):
    return run("iges-deliver", deck)


@pytest.fixture(scope="module")
def parameters(delivered):
    """Return the deck of parameter records that the first run delivered."""
    return delivered.folder / "out" / "parameters.igs"


@pytest.fixture(scope="module")
def directory(delivered):
    return delivered.folder / "out" / "directory.csv"


@pytest.fixture(scope="module")
def matched(run, parameters, directory):
    return run("iges-match", parameters, replaced={"directory": directory})


@pytest.fixture(scope="module")
def values(matched):
    """Return {first directory record: (entity, its values)}, split at the commas."""
    table = matched.table("out/parameters.csv")
    whole = table.group_by("pointer", "entity", maintain_order=True).agg(
        pl.col("values").str.join("")
    )
    return {
        int(pointer): (entity, text.rstrip(" ").removesuffix(";").split(","))
        for pointer, entity, text in whole.iter_rows()
    }


def _records(parameters):
    return parameters.read_bytes().splitlines(keepends=True)


def _written(folder, records):
    path = folder / "changed.igs"
    path.write_bytes(b"".join(records))
    return path


def test_every_section_has_the_records_that_the_last_record_states(delivered):
    records = delivered.table("out/records.csv")
    assert dict(records["section"].value_counts().iter_rows()) == SECTIONS
    assert len(records) == 49_189
    stated = delivered.table("out/terminate.csv").row(0)
    assert [int(count) for count in stated] == [1, 5, 9_230, 39_952]


def test_nothing_is_returned_and_no_sequence_number_is_out_of_place(delivered):
    assert delivered.stage(2)["returned"] == 0
    records = delivered.table("out/records.csv").with_columns(pl.col("sequence").cast(pl.Int64))
    places = records.select(
        place=pl.int_range(1, pl.len() + 1).over("section"), sequence="sequence"
    )
    assert places.filter(pl.col("place") != pl.col("sequence")).is_empty()


def test_totals_of_sequence_numbers_by_section_are_exact(delivered):
    records = delivered.table("out/records.csv").with_columns(pl.col("sequence").cast(pl.Int64))
    totals = dict(records.group_by("section").agg(pl.col("sequence").sum()).iter_rows())
    assert totals == {"S": 1, "G": 15, "D": 42_601_065, "P": 798_101_128, "T": 1}


def test_totals_of_the_directory_are_exact(delivered, total):
    first = delivered.table("out/directory.csv")
    second = delivered.table("out/directory2.csv")
    assert (len(first), len(second)) == (4_615, 4_615)
    assert total(first, "parameters") == 85_206_569
    assert total(first, "status") == 3_784_211_200
    assert total(second, "lines") == 39_952


def test_directory_pairs_by_entity_are_exact(delivered):
    first = delivered.table("out/directory.csv")
    assert dict(first["entity"].value_counts().iter_rows()) == ENTITIES
    assert first["entity"].to_list() == delivered.table("out/directory2.csv")["entity"].to_list()


@pytest.mark.parametrize("cut", [False, True])
def test_a_shuffled_deck_sorts_back_to_the_very_bytes(run, deck, tmp_path, cut, small_pieces):
    records = deck.read_bytes().splitlines(keepends=True)
    random.Random(1_913).shuffle(records)  # noqa: S311 # a test, not a secret
    shuffled = _written(tmp_path, records)
    assert hashlib.sha256(shuffled.read_bytes()).hexdigest() != SHA256
    ordered = run("iges-sort", shuffled, sizes=small_pieces if cut else None)
    facts = ordered.stage(3)["facts"]
    assert facts["digest_before"] == facts["digest_after"]
    assert hashlib.sha256(ordered.deck("sorted.igs")).hexdigest() == SHA256


def test_sections_sort_in_their_own_order_and_not_in_that_of_the_alphabet(run, deck):
    ordered = run("iges-sort", deck)
    lines = ordered.deck("sorted.igs").splitlines()
    assert "".join(dict.fromkeys(chr(line[72]) for line in lines)) == "SGDPT"


def test_every_parameter_record_meets_its_directory_record(matched, total):
    facts = matched.stage(3)["facts"]
    assert facts["matched"] == 39_952
    assert facts["without_master"] == 0
    assert facts["masters"] == 4_615
    assert facts["masters_without_card"] == 0
    assert total(matched.table("out/parameters.csv"), "pointer") == 198_313_100


def test_line_counts_of_the_directory_are_those_of_the_parameters(delivered, matched):
    met = matched.table("out/parameters.csv").group_by("pointer").agg(pl.len())
    second = delivered.table("out/directory2.csv").select(
        pointer=(pl.col("sequence").cast(pl.Int64) - 1).cast(pl.String),
        lines=pl.col("lines").cast(pl.UInt32),
    )
    both = second.join(met, on="pointer", how="full")
    assert len(both) == 4_615
    assert both.filter(pl.col("lines").ne_missing(pl.col("len"))).is_empty()


def test_first_parameter_records_are_where_the_directory_says(matched):
    table = matched.table("out/parameters.csv")
    first = table.group_by("pointer", maintain_order=True).first()
    assert first["sequence"].to_list() == first["first_record"].to_list()


@pytest.mark.parametrize(("entity", "totals"), [("110", LINE_TOTALS), ("100", ARC_TOTALS)])
def test_totals_of_parameter_values_are_exact(values, entity, totals):
    rows = [row[1:] for kind, row in values.values() if kind == entity]
    assert len(rows) == ENTITIES[entity]
    summed = [sum(map(Decimal, column)) for column in zip(*rows, strict=True)]
    assert summed[: len(totals)] == [Decimal(text) for text in totals]


def test_orphan_parameter_records_are_returned(run, parameters, directory, tmp_path):
    lines = directory.read_bytes().splitlines(keepends=True)
    short = tmp_path / "directory.csv"
    gone = lines.pop(100)
    short.write_bytes(b"".join(lines))
    pointer = gone.split(b",")[0].decode()
    found = run("iges-match", parameters, replaced={"directory": short})
    reasons = found.table("returned/reasons.csv")
    assert set(reasons["reason"]) == {"no-master"}
    cards = [int(card) for card in reasons["card"]]
    records = _records(parameters)
    wanted = [n for n, r in enumerate(records, 1) if r[65:72].strip().decode() == pointer]
    assert wanted
    assert cards == wanted


def test_a_directory_record_without_parameters_is_listed(run, parameters, directory, tmp_path):
    records = _records(parameters)
    pointer = records[20_000][65:72]
    kept = _written(tmp_path, [record for record in records if record[65:72] != pointer])
    found = run("iges-match", kept, replaced={"directory": directory})
    assert found.stage(3)["facts"]["masters_without_card"] == 1
    listed = found.table("out/directory-without-card.csv")
    assert listed["sequence"].to_list() == [pointer.strip().decode()]


def test_no_record_of_the_delivered_deck_is_out_of_place(run, parameters):
    places = run("iges-places", parameters)
    assert places.table("out/misplaced.csv").is_empty()


def test_a_dropped_record_is_named(run, parameters, tmp_path, small_pieces):
    records = _records(parameters)
    del records[31_233]
    places = run("iges-places", _written(tmp_path, records), sizes=small_pieces)
    wrong = places.table("out/misplaced.csv")
    assert wrong.row(0) == ("31234", "31234", "31235")  # 31234 should stand there
    assert len(wrong) == 39_952 - 31_234


@pytest.mark.slow
def test_a_doubled_record_is_named(run, parameters, tmp_path):
    records = _records(parameters)
    records.insert(31_234, records[31_233])
    wrong = run("iges-places", _written(tmp_path, records)).table("out/misplaced.csv")
    assert wrong.row(0) == ("31235", "31235", "31234")  # the second card 31234
    assert len(wrong) == 39_953 - 31_234


@pytest.mark.slow
def test_two_swapped_records_are_named(run, parameters, tmp_path):
    records = _records(parameters)
    records[70], records[30_000] = records[30_000], records[70]
    wrong = run("iges-places", _written(tmp_path, records)).table("out/misplaced.csv")
    assert wrong.rows() == [("71", "71", "30001"), ("30001", "30001", "71")]


def test_the_deck_punched_and_read_again_is_the_very_same(run, deck, small_pieces):
    punched = run("punch", deck, sizes=small_pieces)
    assert len(punched.deck("punched.cbn")) == 49_189 * 160
    printed = run("read-punched", punched.folder / "out" / "punched.cbn", sizes=small_pieces)
    ended = printed.deck("printed.txt").replace(b"\n", b"\r\n")
    assert hashlib.sha256(ended).hexdigest() == SHA256


def test_lower_case_cannot_be_punched_in_a_code_of_64_characters(refused, deck):
    code, message = refused("punch-64", deck)
    assert code == 4
    assert "the character 'o', which cannot be written in code 'scientific-64'" in message


def test_the_small_sibling_ends_in_lf_and_has_all_its_records(run, data_file):
    small = data_file("pyiges", "pyiges/examples/sample.igs", "3533b019")
    found = run("iges-deliver", small)
    records = found.table("out/records.csv")
    counts = dict(records["section"].value_counts().iter_rows())
    assert counts == {"S": 37, "G": 3, "D": 10, "P": 12, "T": 1}
    kinds = found.table("out/directory.csv")["entity"].value_counts()
    assert dict(kinds.iter_rows()) == {"116": 4, "322": 1}


def test_the_reader_agrees_on_directory_lines_and_arcs(reader, deck, delivered, values):
    iges = reader("pyiges").Iges(str(deck))
    first = delivered.table("out/directory.csv")
    assert len(iges) == len(first)
    for entity, row in zip(iges, first.iter_rows(named=True), strict=True):
        assert entity.sequence_number == int(row["sequence"])
        assert entity.d["entity_type_number"] == int(row["entity"])
        assert entity.d["parameter_pointer"] == int(row["parameters"])
        assert entity.d["status_number"] == int(row["status"] or 0)
    lines = [[float(v) for v in row[1:7]] for kind, row in values.values() if kind == "110"]
    assert [[*line.coordinates.reshape(-1)] for line in iges.lines()] == lines
    arcs = [[float(v) for v in row[1:8]] for kind, row in values.values() if kind == "100"]
    read = [[a.z, a.x, a.y, a.x1, a.y1, a.x2, a.y2] for a in iges.circular_arcs()]
    assert read == arcs

"""Spread: every position is a variable, and every total is that of a count by hand."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydantic import ValidationError

from deckwright import (
    PATTERNS,
    ROWS,
    Book,
    Closing,
    Known,
    OptionProblem,
    Setting,
    Tray,
    row_bit,
)
from deckwright.cards.codes import load_code
from deckwright.cards.holes import format_pattern
from deckwright_plugins.stages.spread import SpreadConfig, SpreadStage, deckwright_stages
from media_help import property_test

EBCDIC = load_code("ebcdic")


def stage(**options: Any) -> SpreadStage:
    """Return a stage that is not part of a job."""
    none: Any = None
    return SpreadStage(SpreadConfig(**options), Setting(1, {}, none, none, none, none, none))


def tray_of(holes: np.ndarray) -> Tray:
    """Return cards with these holes."""
    assert EBCDIC.from_holes is not None
    text = np.where(EBCDIC.from_holes[holes] < 0, 0x1A, EBCDIC.from_holes[holes])
    cards = np.arange(1, len(holes) + 1)
    return Tray(cards, text.astype(np.uint8), EBCDIC, holes)


def spread(made: SpreadStage, trays: list[Tray]) -> tuple[list[dict[str, str]], Any, Any]:
    """Run a stage over trays; return rows, frequencies, and facts for the control sheet."""
    data = made.files()[made.config.file]
    tallies: dict[str, int] = {}
    for tray in trays:
        book = Book()
        (part,) = made.write(tray, book)
        assert (part.rows, part.cards) == (len(tray), None)
        data += bytes(part.data)
        for name, amount in book.tallies.items():
            tallies[name] = tallies.get(name, 0) + amount
    written: dict[str, bytes] = {}
    none: Any = None
    closing = Closing(
        none, tallies, {}, lambda name, data: written.update({name: b"".join(data)}), 0
    )
    facts = made.finish(closing)
    frequencies = written[made.config.frequencies]
    return rows_of(data), rows_of(frequencies), facts


def rows_of(data: bytes) -> list[dict[str, str]]:
    """Return the rows of a CSV."""
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


@property_test
@given(
    hnp.arrays(
        np.uint16,
        st.tuples(st.integers(1, 20), st.integers(1, 6)),
        elements=st.integers(0, PATTERNS - 1),
    ),
    st.data(),
)
def test_variables_and_totals_are_those_of_a_count_by_hand(holes, data) -> None:
    width = holes.shape[1]
    columns = data.draw(st.lists(st.integers(1, width), min_size=1, unique=True))
    rows = data.draw(st.lists(st.sampled_from(ROWS), min_size=1, unique=True))
    cut = data.draw(st.integers(0, len(holes)))
    made = stage(columns=",".join(map(str, columns)), rows=list(map(str, rows)))
    whole = tray_of(holes)
    parts = [whole.take(np.arange(cut)), whole.take(np.arange(cut, len(holes)))]
    lines, frequencies, facts = spread(made, [part for part in parts if len(part)])
    assert [line["card"] for line in lines] == [str(n + 1) for n in range(len(holes))]
    total = 0
    for column in columns:
        for row in rows:
            there = [int(bool(int(p) & row_bit(row))) for p in holes[:, column - 1]]
            assert [int(line[f"c{column}_{row}"]) for line in lines] == there
            said = [f for f in frequencies if f["variable"] == f"c{column}_{row}"]
            assert [(int(f["holes"]), int(f["cards"])) for f in said] == [(sum(there), len(holes))]
            assert (said[0]["column"], said[0]["row"]) == (str(column), str(row))
            total += sum(there)
        empty = [f for f in frequencies if f["row"] == "none" and f["column"] == str(column)]
        assert int(empty[0]["holes"]) == sum(int(p) == 0 for p in holes[:, column - 1])
    assert facts == {"cards": len(holes), "variables": len(columns) * len(rows), "holes": total}


def test_names_rows_and_fields_are_as_told() -> None:
    holes = np.array([[0x900, 0, 0x984]], np.uint16)
    names = ["Y", "X", *"0123456789"]
    made = stage(
        columns="1, 3", rows=["Y", "1"], row_names=names, name="D1C{column:02}_{row}",
        patterns=True, fields=["card", "town"], file="a.csv",
    )  # fmt: skip
    tray = tray_of(holes).with_field("town", pl.Series(["Hill, North"]))
    lines, _, _ = spread(made, [tray])
    assert lines == [
        {
            "card": "1",
            "town": "Hill, North",
            "D1C01_holes": "12-1",
            "D1C01_Y": "1",
            "D1C01_1": "1",
            "D1C03_holes": format_pattern(0x984),
            "D1C03_Y": "1",
            "D1C03_1": "1",
        }
    ]


def test_only_the_cards_that_are_meant_are_spread_and_counted() -> None:
    holes = np.array([[0x900], [0x800], [0x001]], np.uint16)
    made = stage(columns="1", rows=["12", "9"], where="deck = 1")
    tray = tray_of(holes).with_field("deck", pl.Series([1, 2, 1]))
    (part,) = made.write(tray, Book())
    assert part.cards is not None
    assert (part.rows, part.cards.tolist()) == (2, [1, 3])
    book = Book()
    made.write(tray, book)
    assert book.tallies == {"holes 1/12": 1, "holes 1/9": 1, "empty 1": 0, "cards": 2}


def test_cards_without_holes_are_spread_by_their_code() -> None:
    text = np.frombuffer(b"A0", np.uint8).reshape(1, 2)
    lines, _, _ = spread(stage(columns="1-2"), [Tray(np.array([1]), text, load_code("ascii"))])
    assert {name for name, value in lines[0].items() if value == "1"} == {
        "card", "c1_12", "c1_1", "c2_0"
    }  # fmt: skip


def test_a_column_that_was_written_anew_has_the_holes_of_its_new_character() -> None:
    tray = tray_of(np.array([[0x980, 0x900]], np.uint16))

    class NoLayout:
        field_names: tuple[str, ...] = ()

    layout: Any = NoLayout()
    text = np.array([[0x1A, ord("0")]], np.uint8)
    lines, _, _ = spread(stage(columns="1-2", patterns=True), [tray.with_text(text, layout)])
    assert (lines[0]["c1_holes"], lines[0]["c2_holes"]) == (format_pattern(0x980), "0")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"columns": "0"}, "names no columns"),
        ({"columns": "3-2"}, "names no columns"),
        ({"columns": "1,,2"}, "names no columns"),
        ({"columns": "1-32761"}, "names no columns"),
        ({"columns": "1-32760"}, "would make 393,120 variables"),
        ({"columns": "1", "name": "c{column}"}, "'c1' would stand twice"),
        ({"columns": "1", "fields": ["c1_12"]}, "'c1_12' would stand twice"),
        ({"columns": "1", "where": "deck ="}, "expression"),
    ],
)
def test_options_that_do_not_fit_are_refused(options, words) -> None:
    with pytest.raises(OptionProblem, match=words):
        stage(**options)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rows": ["13"]}, "'13' is no row"),
        ({"rows": []}, "at least 1"),
        ({"row_names": ["1"] * 12}, "stands twice"),
        ({"name": "x{row}"}, "should hold"),
        ({"name": "{column.x}"}, "should be a text"),
        ({"file": "a.csv", "frequencies": "a.csv"}, "one file"),
        ({"file": "../a.csv"}, "pattern"),
    ],
)
def test_options_that_are_wrong_are_refused(options, words) -> None:
    with pytest.raises(ValidationError, match=words):
        SpreadConfig(columns="1", **options)


@pytest.mark.parametrize(
    ("options", "known", "words"),
    [
        ({"columns": "81"}, Known(), "column 81 is beyond the 80 columns"),
        ({"columns": "1", "fields": ["nam"]}, Known(), "unknown field 'nam'"),
        ({"columns": "1", "where": "deck = 1"}, Known(), "unknown field 'deck'"),
    ],
)
def test_what_is_not_there_is_named_before_the_run(options, known, words) -> None:
    with pytest.raises(OptionProblem, match=words):
        stage(**options).outline(known)


def test_the_stage_is_brought_by_its_hook() -> None:
    assert deckwright_stages() == [SpreadStage]

"""Hole patterns and their names."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deckwright.cards.holes import (
    PATTERNS,
    ROWS,
    count_holes,
    fits_eight_bit_rule,
    format_pattern,
    gather_rows,
    parse_pattern,
    pattern_names,
    pattern_of,
    row_bit,
    spread_rows,
)

ALL = np.arange(PATTERNS, dtype=np.uint16)
patterns = st.integers(0, PATTERNS - 1)


def test_every_pattern_has_a_name_of_its_own_that_reads_back() -> None:
    names = [format_pattern(pattern) for pattern in range(PATTERNS)]
    assert len(set(names)) == PATTERNS
    assert [parse_pattern(name) for name in names] == list(range(PATTERNS))
    assert pattern_names(ALL).tolist() == names


@given(st.permutations(ROWS), st.integers(0, 12))
def test_rows_may_be_named_in_any_order(order: list[int], count: int) -> None:
    rows = order[:count]
    assert parse_pattern("-".join(map(str, rows))) == pattern_of(rows)
    assert pattern_of(rows).bit_count() == count


@given(hnp.arrays(np.uint16, hnp.array_shapes(max_dims=3), elements=patterns))
def test_rows_spread_out_and_gathered_are_the_same_patterns(holes: np.ndarray) -> None:
    rows = spread_rows(holes)
    assert rows.shape == (*holes.shape, 12)
    assert (gather_rows(rows) == holes).all()
    assert (count_holes(holes) == rows.sum(axis=-1)).all()


@pytest.mark.parametrize(
    ("name", "pattern", "source"),
    [
        ("", 0x000, "no holes"),
        ("12", 0x800, "row 12 is the highest bit"),
        ("9", 0x001, "row 9 is the lowest bit"),
        ("0", 0x200, "row 0 lies below row 11"),
        ("12-1", 0x900, "letter A: common practice; X'C1' in a mailing-list posting"),
        ("12-8-6", 0x80A, "plus sign: statistics-package manual, column binary 200A"),
        ("12-0-9-8-1", 0xB03, "X'00': mailing-list posting"),
        ("12-11-0-9-8-7", 0xE07, "X'FF': mailing-list posting"),
        ("12-11-0-1-2-3-4-5-6-7-8-9", 0xFFF, "all rows"),
        ("12-1-2", 0x980, "two digits: named from the top edge down"),
    ],
)
def test_names_are_those_of_published_tables(name: str, pattern: int, source: str) -> None:
    assert format_pattern(pattern) == name, source
    assert parse_pattern(name) == pattern, source


def test_blank_is_a_word_for_no_holes() -> None:
    assert parse_pattern("blank") == parse_pattern("  ") == 0


@pytest.mark.parametrize(
    "name", ["10", "13", "X", "Y-1", "12-", "-", "01", "1 2", "12--1", "²", "x-12"]
)
def test_a_name_that_is_no_row_is_refused_with_that_part(name: str) -> None:
    with pytest.raises(ValueError, match="is not a row"):
        parse_pattern(name)


def test_a_row_named_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="row 12 stands twice in '12-1-12'"):
        parse_pattern("12-1-12")


@pytest.mark.parametrize("pattern", [-1, PATTERNS])
def test_a_number_beyond_twelve_rows_has_no_name(pattern: int) -> None:
    with pytest.raises(ValueError, match="not a pattern"):
        format_pattern(pattern)


def test_a_row_that_a_card_lacks_has_no_bit() -> None:
    assert [row_bit(row) for row in ROWS] == [1 << place for place in range(11, -1, -1)]
    with pytest.raises(ValueError, match="no row 10"):
        row_bit(10)


def test_the_eight_bit_rule_allows_one_hole_in_rows_1_to_7() -> None:
    # ISO 6586:1980 (excerpt): any of 12 11 0 8 9, at most one of 1 to 7
    allowed = {
        pattern_of(
            [*(row for place, row in enumerate((12, 11, 0, 8, 9)) if five >> place & 1), *one]
        )
        for five in range(32)
        for one in ([], [1], [2], [3], [4], [5], [6], [7])
    }
    assert len(allowed) == 256
    assert set(np.flatnonzero(fits_eight_bit_rule(ALL)).tolist()) == allowed


def test_rows_are_gathered_from_twelve_places_only() -> None:
    with pytest.raises(ValueError, match="twelve rows"):
        gather_rows(np.zeros((3, 11), np.bool_))

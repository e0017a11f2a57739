"""Column binary: every hole is kept, and published samples are read as printed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deckwright.cards.codes import load_code
from deckwright.cards.holes import PATTERNS, parse_pattern
from deckwright.errors import PluginFailedError
from deckwright.plugin.values import RawTray
from deckwright_plugins.media.column_binary import ColumnBinary, ColumnBinaryConfig

property_test = settings(
    max_examples=80,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def binary_medium(**options: Any) -> ColumnBinary:
    """Return a medium of column binary."""
    config = ColumnBinaryConfig(**options)
    return ColumnBinary(config, load_code(config.code))


def read(medium: ColumnBinary, deck: Path, data: bytes) -> RawTray:
    """Write a deck and read it as one tray."""
    deck.write_bytes(data)
    survey = medium.survey(deck, 1000)
    (found,) = medium.read(deck, survey.spans[0], 1000)
    assert (survey.cards, survey.width) == found.text.shape
    return found


@property_test
@given(
    hnp.arrays(
        np.uint16,
        st.tuples(st.integers(1, 20), st.integers(1, 12)),
        elements=st.integers(0, PATTERNS - 1),
    ),
    st.sampled_from(["ebcdic", "commercial-48", "ascii", "cp424"]),
)
def test_holes_written_read_back_as_the_same_holes(
    tmp_path: Path,
    holes: np.ndarray,
    code: str,
) -> None:
    medium = binary_medium(code=code, record_length=holes.shape[1])
    blank = np.full(holes.shape, 32, np.uint8)
    data = medium.encode(blank, holes, None, medium.code.alphabet)
    found = read(medium, tmp_path / "deck", data)
    assert found.holes is not None
    assert (found.holes == holes).all()
    assert medium.encode(found.text, found.holes, None, medium.code.alphabet) == data
    table = medium.code.from_holes
    assert table is not None
    assert (found.text == np.where(table[holes] < 0, 0x1A, table[holes])).all()


@pytest.mark.parametrize("code", ["ebcdic", "iso6586", "ascii-card", "scientific-64"])
def test_all_4096_patterns_survive_column_binary(tmp_path: Path, code: str) -> None:
    holes = np.arange(PATTERNS, dtype=np.uint16).reshape(64, 64)
    medium = binary_medium(code=code, record_length=64)
    data = medium.encode(np.zeros(holes.shape, np.uint8), holes, None, medium.code.alphabet)
    found = read(medium, tmp_path / "deck", data)
    assert found.holes is not None
    assert (found.holes == holes).all()
    assert not found.odd
    assert medium.encode(found.text, found.holes, None, medium.code.alphabet) == data


@property_test
@given(st.sampled_from(["ebcdic", "iso6586", "ascii-card", "commercial-48"]), st.data())
def test_text_of_a_code_becomes_holes_and_text_again(
    tmp_path: Path,
    code: str,
    data: st.DataObject,
) -> None:
    medium = binary_medium(code=code, record_length=6)
    slots = np.flatnonzero(medium.code.alphabet.defined).tolist()
    text = data.draw(hnp.arrays(np.uint8, (4, 6), elements=st.sampled_from(slots)))
    deck = medium.encode(text, None, None, medium.code.alphabet)
    assert (read(medium, tmp_path / "deck", deck).text == text).all()


@pytest.mark.parametrize(
    ("name", "pair", "char", "source"),
    [
        ("", "00 00", " ", "derived"),
        ("12-1", "24 00", "A", "derived"),
        ("12-8-6", "20 0A", "+", "statistics-package manual, 200A reads as +"),
        ("7", "00 04", "7", "statistics-package manual, 0004 is row 7"),
        ("9", "00 01", "9", "derived"),
        (
            "9-6",
            "00 09",
            "\x96",
            "derived; X'36'; the manual calls 0009 row 9, against its own bit table",
        ),
        ("12-11-0-1-2-3-4-5-6-7-8-9", "3F 3F", "\x1a", "derived: not a character"),
        ("0", "08 00", "0", "derived"),
        ("0-9", "08 01", "Z", "derived"),
        ("12-8-7", "20 06", "|", "statistics-package manual, multi-punch example"),
    ],
)
def test_columns_are_two_bytes_as_in_published_samples(
    tmp_path: Path,
    name: str,
    pair: str,
    char: str,
    source: str,
) -> None:
    medium = binary_medium()
    found = read(medium, tmp_path / "deck", bytes.fromhex(pair) + bytes(158))
    assert found.holes is not None
    assert found.holes[0, 0] == parse_pattern(name), source
    assert medium.code.alphabet.decode(found.text[0, :1].tobytes()) == char
    again = medium.encode(found.text, found.holes, None, medium.code.alphabet)
    assert again[:2] == bytes.fromhex(pair)


def test_spare_bits_are_never_dropped(tmp_path: Path) -> None:
    data = bytearray(3 * 160)
    data[160 + 7], data[160 + 20], data[320] = 0x44, 0x80, 0xFF
    found = read(binary_medium(), tmp_path / "deck", bytes(data))
    said = {int(odd.rows[0]): odd for odd in found.odd}
    assert {(odd.reason, odd.severity, len(odd.rows)) for odd in found.odd} == {
        ("spare-bits", "fatal", 1)
    }
    assert {row: odd.columns.tolist() for row, odd in said.items()} == {1: [4], 2: [1]}
    assert "2 columns" in said[1].detail
    assert "one column" in said[2].detail
    assert {row: [binary_medium().record(r) for r in odd.records] for row, odd in said.items()} == {
        1: [bytes(data[160:320])],
        2: [bytes(data[320:])],
    }
    assert found.holes is not None
    assert found.holes[1, 3] == 0x004


def test_a_pattern_beyond_twelve_rows_is_not_written() -> None:
    medium = binary_medium(record_length=1)
    with pytest.raises(PluginFailedError, match="4096 is not a pattern"):
        medium.encode(
            np.zeros((1, 1), np.uint8), np.array([[4096]], np.uint16), None, medium.code.alphabet
        )

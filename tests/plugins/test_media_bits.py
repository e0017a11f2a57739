"""Every layout of bits keeps every hole and every spare bit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright import BIT_LAYOUTS, PATTERNS, ROWS, bit_layout, row_bit
from deckwright.cards.holes import parse_pattern
from deckwright_plugins.media.column_binary import ColumnBinary
from media_help import medium, property_test, read, same_however_cut, written_back

each_layout = pytest.mark.parametrize("bits", BIT_LAYOUTS)

# two-bytes: bit table of a survey data-processing page; the others from memory
STORED = {
    "two-bytes": [(byte, bit) for byte in (0, 1) for bit in (5, 4, 3, 2, 1, 0)],
    "word-high-big": [(0, 7 - n) for n in range(8)] + [(1, 7 - n) for n in range(4)],
    "word-low-big": [(0, 3 - n) for n in range(4)] + [(1, 7 - n) for n in range(8)],
}


@each_layout
@pytest.mark.parametrize("width", [64, 63, 1, 80])
def test_all_4096_patterns_survive_in_every_layout(tmp_path, bits, width) -> None:
    count = -(-PATTERNS // width)
    holes = np.resize(np.arange(PATTERNS, dtype=np.uint16), count * width).reshape(count, width)
    made = medium(ColumnBinary, bits=bits, record_length=width)
    data = made.encode(np.zeros(holes.shape, np.uint8), holes, None, made.code.alphabet)
    assert len(data) == count * made.card_bytes()
    (tmp_path / "deck").write_bytes(data)
    survey = made.survey(tmp_path / "deck", 10_000)
    (found,) = made.read(tmp_path / "deck", survey.spans[0], 10_000)
    assert (found.holes == holes).all()
    assert found.odd == []
    assert made.encode(found.text, found.holes, None, made.code.alphabet) == data


@property_test
@given(
    st.sampled_from(BIT_LAYOUTS), st.integers(1, 11), st.integers(1, 12), st.data(),
    st.sampled_from(["return", "note"]),
)  # fmt: skip
def test_any_bytes_come_back_as_they_were(tmp_path, bits, width, cards, data, spare) -> None:
    size = bit_layout(bits).size(width) * cards
    deck = tmp_path / "deck"
    deck.write_bytes(data.draw(st.binary(min_size=size, max_size=size)))
    options = {"bits": bits, "record_length": width, "spare": spare}
    uncut = same_however_cut(lambda: medium(ColumnBinary, **options), deck, 3, 2)
    assert written_back(medium(ColumnBinary, **options), uncut) == deck.read_bytes()


@each_layout
def test_a_spare_bit_is_noted_with_its_column(tmp_path, bits) -> None:
    made = medium(ColumnBinary, bits=bits, record_length=7, spare="note")
    clean = bytearray(3 * made.card_bytes())
    holes = made.encode(
        np.zeros((1, 7), np.uint8), np.full((1, 7), 0xFFF, np.uint16), None, made.code.alphabet
    )
    place = next((n for n, byte in enumerate(holes) if byte != 0xFF), None)
    assert place is not None, "seven columns leave spare bits in every layout"
    clean[made.card_bytes() + place] = 0xFF & ~holes[place]
    found = read(made, tmp_path / "deck", bytes(clean))
    (odd,) = found.odd
    column = {"two-halves": 1, "packed": 7, "rows-12-first": 7, "rows-9-first": 7}.get(bits, 1)
    assert (odd.reason, odd.severity, odd.rows.tolist()) == ("spare-bits", "note", [1])
    assert odd.columns.tolist() == [column]
    assert not found.holes.any()
    assert written_back(made, [found]) == bytes(clean)


@pytest.mark.parametrize("bits", STORED)
def test_each_row_has_the_bit_of_the_published_table(bits) -> None:
    for row, (byte, bit) in zip(ROWS, STORED[bits], strict=True):
        image = bit_layout(bits).images(np.array([[row_bit(row)]], np.uint16))
        expected = [0, 0]
        expected[byte] = 1 << bit
        assert image[0].tolist() == expected


# samples of a statistics-package manual and of a survey data-processing page, and derived ones
@pytest.mark.parametrize(
    ("name", "two_bytes", "high", "low", "source"),
    [
        ("", "0000", "0000", "0000", "derived"),
        ("12-1", "2400", "9000", "0900", "derived"),
        ("12-8-6", "200A", "80A0", "080A", "statistics-package manual, 200A reads as +"),
        ("7", "0004", "0040", "0004", "statistics-package manual, 0004 is row 7"),
        ("9", "0001", "0010", "0001", "derived"),
        ("12-11-0-1-2-3-4-5-6-7-8-9", "3F3F", "FFF0", "0FFF", "derived"),
        ("0", "0800", "2000", "0200", "derived"),
        ("0-9", "0801", "2010", "0201", "derived"),
        ("12-8-7", "2006", "8060", "0806", "statistics-package manual, multi-punch example"),
    ],
)
def test_published_samples_are_stored_as_printed(name, two_bytes, high, low, source) -> None:
    holes = np.array([[parse_pattern(name)]], np.uint16)
    stored = {
        "two-bytes": two_bytes,
        "two-bytes-swapped": two_bytes[2:] + two_bytes[:2],
        "two-halves": two_bytes,
        "word-high-big": high,
        "word-high-little": high[2:] + high[:2],
        "word-low-big": low,
        "word-low-little": low[2:] + low[:2],
        "packed": high,
    }
    for bits, expected in stored.items():
        image = bit_layout(bits).images(holes)
        assert image.tobytes() == bytes.fromhex(expected), (bits, source)
        assert bit_layout(bits).holes(image, 1).tolist() == holes.tolist()


def test_packed_columns_and_row_images_are_laid_out_as_described() -> None:
    pair = np.array([[0x123, 0x456]], np.uint16)
    assert bit_layout("packed").images(pair).tobytes() == bytes.fromhex("123456")
    corner = np.zeros((1, 80), np.uint16)
    corner[0, 0], corner[0, 79] = 0x800, 0x001  # row 12 of column 1, row 9 of column 80
    image = bit_layout("rows-12-first").images(corner)[0]
    assert (len(image), image[0], image[119]) == (120, 0x80, 0x01)
    turned = bit_layout("rows-9-first").images(corner)[0]
    assert (turned[110], turned[9]) == (0x80, 0x01)

"""Codes by column: a card in two codes reads as two cards in one code each, and is written back."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deckwright import PATTERNS, Medium, UnfitCodeError, UnwritableError, hole_patterns
from deckwright.cards.codeparts import with_parts
from deckwright.cards.codes import load_code
from deckwright.cards.codetable import Alphabet, CodePart, CodeTable
from deckwright.layout.tray import legal_patterns
from deckwright.plugin.parted import PartedMedium
from deckwright_plugins.media.blocks import Blocks
from deckwright_plugins.media.column_binary import ColumnBinary
from deckwright_plugins.media.records.medium import Records
from deckwright_plugins.media.text.medium import TextLines
from deckwright_plugins.media.transcript.medium import Transcript
from media_help import medium, read, same_however_cut, written_back

WIDTH, HALF = 8, 4
HOLE_CODES = ["ebcdic", "iso6586", "ascii-card", "commercial-48", "commercial-64",
              "scientific-48", "scientific-64", "cp273"]  # fmt: skip
BYTE_CODES = ["cp037", "cp500", "cp273", "cp1252", "ascii", "latin-1"]
FEW = settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
HOLES = hnp.arrays(
    np.uint16, st.tuples(st.integers(1, 12), st.just(WIDTH)), elements=st.integers(0, PATTERNS - 1)
)


def parted(kind: type[Medium[Any]], first: str, second: str, **options: Any) -> PartedMedium:
    """Return a medium of cards whose right half is in a second code."""
    base = medium(kind, code=first, record_length=WIDTH, **options)
    return PartedMedium(base, [CodePart(HALF + 1, WIDTH, load_code(second))])


def said(alphabet: Alphabet, text: np.ndarray) -> list[list[str | None]]:
    """Return the characters of cells; None for no character, and for a control character."""
    return [
        [None if char is None or unicodedata.category(char) == "Cc" else char
         for char in (alphabet.characters[cell] for cell in row)]
        for row in text.tolist()
    ]  # fmt: skip


def with_patterns(code: CodeTable, holes: np.ndarray) -> list[list[str | None]]:
    """Return what one code makes of patterns, by its table alone."""
    assert code.from_holes is not None
    slots = code.from_holes[holes]
    return said(code.alphabet, np.where(slots < 0, 0x1A, slots))


@FEW
@given(HOLES, st.sampled_from(HOLE_CODES), st.sampled_from(HOLE_CODES))
@pytest.mark.parametrize("kind", [ColumnBinary, Transcript])
def test_holes_in_two_codes_read_as_each_code_alone_and_are_written_back(
    tmp_path, kind, holes, first, second
) -> None:
    made = parted(kind, first, second)
    plain = medium(kind, code=first, record_length=WIDTH)
    data = plain.encode(np.zeros(holes.shape, np.uint8), holes, None, plain.code.alphabet)
    tray = read(made, tmp_path / "deck", data)
    left, right = load_code(first), load_code(second)
    assert said(made.code.alphabet, tray.text) == [
        a + b
        for a, b in zip(
            with_patterns(left, holes[:, :HALF]), with_patterns(right, holes[:, HALF:]), strict=True
        )
    ]
    assert made.encode(tray.text, tray.holes, None, made.code.alphabet) == data
    # where every column is a character, the text alone says the holes
    legal = (tray.text != 0x1A).all(axis=1)
    assert (hole_patterns(made.code, tray.text)[legal] == holes[legal]).all()
    if legal.all():
        assert made.encode(tray.text, None, None, made.code.alphabet) == data


def test_cuts_do_not_matter(tmp_path) -> None:
    holes = np.random.default_rng(3).integers(0, PATTERNS, (20, WIDTH)).astype(np.uint16)
    made = parted(ColumnBinary, "ebcdic", "scientific-64")
    text = np.zeros(holes.shape, np.uint8)
    data = made.encode(text, holes, None, made.code.alphabet)
    (tmp_path / "deck").write_bytes(data)
    same_however_cut(lambda: parted(ColumnBinary, "ebcdic", "scientific-64"),
                     tmp_path / "deck", 7, 2)  # fmt: skip


@FEW
@given(
    st.lists(st.binary(min_size=WIDTH, max_size=WIDTH), min_size=1, max_size=12),
    st.sampled_from(BYTE_CODES),
    st.sampled_from(BYTE_CODES),
    st.sampled_from([Blocks, Records]),
)
def test_bytes_in_two_codes_read_as_each_code_alone_and_are_written_back(
    tmp_path, cards, first, second, kind
) -> None:
    options = {"form": "fixed-blocked"} if kind is Records else {}
    made = parted(kind, first, second, **options)
    data = b"".join(cards)
    tray = read(made, tmp_path / "deck", data)
    expected = [
        [_char(card[:HALF], first, place) for place in range(HALF)]
        + [_char(card[HALF:], second, place) for place in range(WIDTH - HALF)]
        for card in cards
    ]
    assert said(made.code.alphabet, tray.text) == expected
    assert written_back(made, [tray]) == data
    odd = {int(row) for one in tray.odd for row in one.rows if one.severity == "fatal"}
    assert odd == {row for row, text in enumerate(tray.text) if 0x1A in text}
    if not odd:
        assert made.encode(tray.text, None, tray.lengths, made.code.alphabet) == data


def _char(card: bytes, name: str, place: int) -> str | None:
    """Return the character of a byte as Python's codec says; None for none, and for a control."""
    char = card[place : place + 1].decode(name, "replace")
    return None if char == "\ufffd" or unicodedata.category(char) == "Cc" else char


@FEW
@given(
    st.lists(st.text("A0 é“€\x85\u0192", max_size=WIDTH + 3), min_size=1, max_size=6),
    st.sampled_from(["ascii", "latin-1"]),
)
def test_lines_of_two_codes_are_written_back_whatever_their_length(tmp_path, lines, first) -> None:
    data = b"".join(line.encode("cp1252", "replace") + b"\n" for line in lines)
    made = parted(TextLines, first, "cp1252")
    assert written_back(made, [read(made, tmp_path / "deck", data)]) == data


def test_a_control_character_is_judged_by_the_code_of_its_column(tmp_path) -> None:
    made = parted(TextLines, "latin-1", "cp1252")
    # X'85' is a control character in Latin-1 (ISO 8859-1 leaves it out), an ellipsis in cp1252
    tray = read(made, tmp_path / "deck", b"AAAA\x85AAA\nAAA\x85AAAA\nA\x01AAAAAA\nAAAAA\x01AA\n")
    (found,) = [odd for odd in tray.odd if odd.reason == "control-character"]
    assert found.columns is not None
    assert (found.rows.tolist(), found.columns.tolist()) == ([1, 2, 3], [4, 2, 6])


def test_short_records_are_filled_with_blanks_in_every_code(tmp_path) -> None:
    made = parted(Records, "cp037", "ascii", form="variable")
    record = b"\xc1\xc2"
    data = (len(record) + 4).to_bytes(2, "big") + b"\0\0" + record
    tray = read(made, tmp_path / "deck", data)
    assert made.code.alphabet.decode(tray.text.tobytes()) == "AB      "
    assert (tray.odd, written_back(made, [tray])) == ([], data)


class _Fives:
    """Cards with a 5 in column 1."""

    def __call__(self, text: np.ndarray) -> np.ndarray:
        return np.asarray(text[:, 0] == ord("5"))


@FEW
@given(HOLES, st.sampled_from(HOLE_CODES), st.sampled_from(HOLE_CODES))
def test_a_code_on_some_cards_reads_those_alone_and_is_written_back(
    tmp_path, holes, first, second
) -> None:
    holes[::2, 0] = 0x010  # row 5
    base = medium(ColumnBinary, code=first, record_length=WIDTH)
    made = PartedMedium(base, [CodePart(2, WIDTH, load_code(second), _Fives())])
    data = base.encode(np.zeros(holes.shape, np.uint8), holes, None, base.code.alphabet)
    tray = read(made, tmp_path / "deck", data)
    for row, cells in zip(holes, said(made.code.alphabet, tray.text), strict=True):
        rest = load_code(second if row[0] == 0x010 else first)
        assert cells[1:] == with_patterns(rest, row[None, 1:])[0]
    assert made.encode(tray.text, tray.holes, None, made.code.alphabet) == data
    legal = (tray.text != 0x1A).all(axis=1)
    assert (hole_patterns(made.code, tray.text)[legal] == holes[legal]).all()


def test_a_character_that_the_code_of_its_column_lacks_cannot_be_written() -> None:
    made = parted(ColumnBinary, "commercial-48", "scientific-48")
    both = made.code.alphabet
    text = np.frombuffer(both.encode("%#@A(='A"), np.uint8).reshape(1, WIDTH)
    assert made.encode(text, None, None, both)
    for wrong, column, code in (("(", 1, "commercial-48"), ("%", 5, "scientific-48")):
        bad = text.copy()
        bad[0, column - 1] = ord(wrong)
        with pytest.raises(UnwritableError, match=rf"column {column} holds .*'\{wrong}'.*{code}'"):
            made.encode(bad, None, None, both)


def test_a_character_beyond_the_alphabet_takes_the_place_of_a_control_character() -> None:
    code = with_parts(load_code("ebcdic"), [CodePart(1, 4, load_code("commercial-64"))])
    kept = set(load_code("ebcdic").alphabet.characters) - set(code.alphabet.characters)
    assert kept <= {*map(chr, range(0x80, 0xA0)), "\x1a"}
    assert set(load_code("commercial-64").alphabet.characters) <= set(code.alphabet.characters)
    flags = legal_patterns(code)
    assert flags is not None
    assert not flags.any()


def test_too_many_characters_for_one_alphabet_are_refused(tmp_path) -> None:
    codes: Sequence[str] = ("cp037", "cp1251", "cp1253")
    parts = [CodePart(place, place, load_code(name)) for place, name in enumerate(codes[1:], 1)]
    with pytest.raises(UnfitCodeError, match="characters too many for one alphabet"):
        with_parts(load_code(codes[0]), parts)


@pytest.mark.parametrize(
    ("kind", "first", "second", "words"),
    [
        (ColumnBinary, "ebcdic", "own", "has no holes"),
        (Blocks, "cp037", "commercial-48", "has holes but no bytes"),
        (TextLines, "ascii", "cp037", "has no ASCII line ends"),
    ],
)
def test_a_medium_refuses_a_code_that_it_cannot_hold(kind, first, second, words) -> None:
    bytes_only = load_code("ascii")
    code = (
        CodeTable("own", "", "", bytes_only.alphabet, bytes_only.from_raw, bytes_only.to_raw)
        if second == "own"
        else load_code(second)
    )
    base = medium(kind, code=first, record_length=WIDTH)
    with pytest.raises(UnfitCodeError, match=words):
        PartedMedium(base, [CodePart(1, 2, code)])


def test_parts_over_parts_are_one_list() -> None:
    made = parted(ColumnBinary, "ebcdic", "scientific-48")
    more = PartedMedium(made, [CodePart(1, 2, load_code("commercial-48"))])
    assert [(part.first, part.code.name) for part in more.parts] == [
        (5, "scientific-48"),
        (1, "commercial-48"),
    ]
    assert more.base is made.base
    assert len(more.code.parts) == 2
    assert more.suffix() == "cbn"
    assert more.card_bytes() == 2 * WIDTH

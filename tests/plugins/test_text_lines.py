"""Decks of text lines: line ends, lengths, and characters that are none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deckwright.cards.codes import load_code
from deckwright.errors import UnreadableDeckError
from deckwright.plugin.media import UnwritableError
from deckwright.plugin.values import RawTray
from deckwright_plugins.media.text.medium import TextConfig, TextLines

property_test = settings(
    max_examples=80,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

LATIN = load_code("latin-1")


def text_medium(**options: Any) -> TextLines:
    """Return a text medium."""
    config = TextConfig(**options)
    return TextLines(config, load_code(config.code))


def read(medium: TextLines, deck: Path, data: bytes) -> RawTray:
    """Write a deck and read it as one tray."""
    deck.write_bytes(data)
    survey = medium.survey(deck, 1000)
    (found,) = medium.read(deck, survey.spans[0], 1000)
    assert (survey.cards, survey.width) == found.text.shape
    return found


def odd_of(found: RawTray) -> dict[str, tuple[str, list[int], list[int] | None]]:
    """Return reason: severity, places, columns."""
    return {
        odd.reason: (
            odd.severity,
            odd.rows.tolist(),
            None if odd.columns is None else odd.columns.tolist(),
        )
        for odd in found.odd
    }


line_bytes = st.binary(max_size=14).map(lambda line: line.replace(b"\n", b"*"))
any_text_deck = st.lists(
    st.tuples(line_bytes, st.sampled_from([b"\n", b"\r\n"])), min_size=1, max_size=30
).map(lambda lines: b"".join(line + end for line, end in lines))


@property_test
@given(any_text_deck, st.sampled_from(["ascii", "latin-1", "cp1252"]), st.booleans())
def test_text_lines_come_back_byte_for_byte(
    tmp_path: Path,
    data: bytes,
    code: str,
    crlf: bool,  # noqa: FBT001
) -> None:
    assume(not data.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")))
    lines = [line.removesuffix(b"\r") for line in data.split(b"\n")[:-1]]
    medium = text_medium(code=code, record_length=14, line_end="crlf" if crlf else "lf")
    found = read(medium, tmp_path / "deck", data)
    again = medium.encode(found.text, None, found.lengths, medium.code.alphabet)
    assert [line.removesuffix(b"\r") for line in again.split(b"\n")[:-1]] == lines
    if not any(line.endswith(b"\r") for line in lines):
        end = b"\r\n" if crlf else b"\n"
        assert again == b"".join(line + end for line in lines)


@property_test
@given(
    hnp.arrays(
        np.uint8,
        st.tuples(st.integers(1, 20), st.integers(1, 12)),
        elements=st.integers(0, 255).filter(lambda b: b not in {10, 13}),
    ),
    st.booleans(),
)
def test_text_written_reads_back_as_the_same_cards(
    tmp_path: Path,
    text: np.ndarray,
    crlf: bool,  # noqa: FBT001
) -> None:
    assume(text[0].tobytes()[:2] not in {b"\xff\xfe", b"\xfe\xff", b"\xef\xbb"})
    medium = text_medium(
        code="latin-1",
        record_length=text.shape[1],
        line_end="crlf" if crlf else "lf",
    )
    data = medium.encode(text, None, None, LATIN.alphabet)
    assert len(data) == len(text) * (text.shape[1] + 1 + crlf)
    found = read(medium, tmp_path / "deck", data)
    assert (found.text == text).all()
    assert found.lengths is None


def test_short_lines_keep_their_length(tmp_path: Path) -> None:
    found = read(text_medium(), tmp_path / "deck", b"ABC\n\n" + b"X" * 80 + b"\n")
    assert found.text.shape == (3, 80)
    assert found.text[0].tobytes() == b"ABC".ljust(80)
    assert found.lengths is not None
    assert found.lengths.tolist() == [3, 0, 80]
    assert found.odd == []


@pytest.mark.parametrize(("shorter", "severity"), [("note", "note"), ("return", "fatal")])
def test_short_lines_are_noted_or_returned_as_asked(
    tmp_path: Path,
    shorter: str,
    severity: str,
) -> None:
    medium = text_medium(record_length=4, shorter=shorter)
    found = read(medium, tmp_path / "deck", b"ABCD\nAB\n\n")
    assert odd_of(found) == {"short-line": (severity, [1, 2], [3, 1])}


def test_long_lines_are_returned_whole(tmp_path: Path) -> None:
    data = b"ABCD\nABCDEFG\r\nABCDE\n"
    found = read(text_medium(record_length=4), tmp_path / "deck", data)
    assert odd_of(found) == {
        "long-line": ("fatal", [1, 2], [5, 5]),
        "mixed-line-ends": ("note", [1], None),
    }
    assert found.odd[0].records == [b"ABCDEFG", b"ABCDE"]
    assert found.text.tobytes() == b"ABCD" * 3
    assert found.lengths is None


def test_long_lines_stop_the_run_where_asked(tmp_path: Path) -> None:
    (tmp_path / "deck").write_bytes(b"ABCD\nABCD\nABCDEFG\n")
    with pytest.raises(UnreadableDeckError, match="has 7 columns in card 3, more than 4"):
        text_medium(record_length=4, longer="error").survey(tmp_path / "deck", 10)


def test_the_longest_line_may_set_the_record_length(tmp_path: Path) -> None:
    medium = text_medium(record_length="longest")
    found = read(medium, tmp_path / "deck", b"\xef\xbb\xbfAB\r\nABCDE\r\n\r\n")
    assert found.text.shape == (3, 5)
    assert read(medium, tmp_path / "blank", b"\n\n").text.tobytes() == b"  "


def test_a_longest_line_beyond_all_records_is_refused(tmp_path: Path) -> None:
    (tmp_path / "deck").write_bytes(b"A\n" + b"B" * 32_761 + b"\n")
    medium = text_medium(record_length="longest")
    with pytest.raises(UnreadableDeckError, match="32,761 columns in card 2, more than 32,760"):
        medium.survey(tmp_path / "deck", 10)
    (tmp_path / "deck").write_bytes(b"A\n" + b"B" * 32_760 + b"\n")
    assert medium.survey(tmp_path / "deck", 10).width == 32_760


@pytest.mark.parametrize("ended", [True, False])
def test_a_line_that_no_card_can_be_is_refused(tmp_path: Path, ended: bool) -> None:  # noqa: FBT001
    (tmp_path / "deck").write_bytes(b"A\nB\n" + b"C" * 3_000_000 + b"\n" * ended)
    with pytest.raises(UnreadableDeckError, match="more than 1,048,576 bytes at card 3"):
        text_medium().survey(tmp_path / "deck", 10)


@pytest.mark.parametrize(
    ("line", "code", "tabs", "expected"),
    [
        (b"A\xe9B", "ascii", "return", ("undefined-character", 2)),
        (b"A\x00\x00", "ascii", "return", ("control-character", 2)),
        (b"AB\x7f", "latin-1", "return", ("control-character", 3)),
        (b"\x85AB", "latin-1", "return", ("control-character", 1)),
        (b"A\rB", "ascii", "return", ("control-character", 2)),
        (b"AB\r", "ascii", "return", ("control-character", 3)),
        (b"AB\x1a", "ascii", "return", ("control-character", 3)),
        (b"\tAB", "ascii", "return", ("tab", 1)),
        (b"\tAB", "ascii", "keep", None),
        (b"A\xe9B", "latin-1", "return", None),
        (b"A\x81B", "cp1252", "return", ("undefined-character", 2)),
        (b"A%B", "cp864", "return", None),
    ],
)
def test_bytes_that_are_no_plain_character_are_named_with_their_column(
    tmp_path: Path,
    line: bytes,
    code: str,
    tabs: str,
    expected: tuple[str, int] | None,
) -> None:
    medium = text_medium(code=code, tabs=tabs, record_length=3)
    data = b"ABC\r\n" + line + b"\r\n"
    found = read(medium, tmp_path / "deck", data)
    assert odd_of(found) == ({expected[0]: ("fatal", [1], [expected[1]])} if expected else {})
    again = medium.encode(found.text, None, found.lengths, medium.code.alphabet)
    assert again.split(b"\n")[1].removesuffix(b"\r") == line


def test_a_last_line_cut_between_cr_and_lf_keeps_its_cr(tmp_path: Path) -> None:
    medium = text_medium(record_length=4)
    found = read(medium, tmp_path / "deck", b"ABCD\r\nABC\r")
    assert odd_of(found) == {
        "control-character": ("fatal", [1], [4]),
        "no-line-end": ("note", [1], None),
    }
    assert found.text[1].tobytes() == b"ABC\r"


def test_a_printable_ascii_slot_that_a_code_lacks_is_found(tmp_path: Path) -> None:
    medium = text_medium(code="cp864", record_length=1)
    gaps = np.flatnonzero(~medium.code.alphabet.defined[:128])
    assert gaps.tolist() == [ord("%")]  # one undefined byte had to go there
    assert medium.code.to_raw is not None
    raw = bytes([medium.code.to_raw[ord("%")]])
    found = read(medium, tmp_path / "deck", b"A\n" + raw + b"\n")
    assert odd_of(found) == {"undefined-character": ("fatal", [1], [1])}


@pytest.mark.parametrize(
    ("data", "cards", "expected"),
    [
        (b"ABC\nABC\n", 2, {}),
        (b"ABC\r\nABC\r\n", 2, {}),
        (b"ABC\nABC", 2, {"no-line-end": ("note", [1], None)}),
        (b"ABC\r\nABC", 2, {"no-line-end": ("note", [1], None)}),
        (b"ABC", 1, {"no-line-end": ("note", [0], None)}),
        (b"ABC\nABC\r\nABC\n", 3, {"mixed-line-ends": ("note", [1], None)}),
        (b"ABC\r\nABC\nABC\n", 3, {"mixed-line-ends": ("note", [0], None)}),
        (b"ABC\r\nABC\n", 2, {"mixed-line-ends": ("note", [1], None)}),
        (
            b"ABC\r\n" + b"ABC\r\nABC\n" * 2 + b"ABC\r\n",
            6,
            {"mixed-line-ends": ("note", [2, 4], None)},
        ),
        (b"ABC\rABC\r", 2, {"carriage-return-line-ends": ("note", [0], None)}),
        (b"\xef\xbb\xbfABC\nABC\n", 2, {"byte-order-mark": ("note", [0], None)}),
    ],
)
def test_odd_line_ends_and_marks_are_noted_and_cards_are_whole(
    tmp_path: Path,
    data: bytes,
    cards: int,
    expected: dict[str, tuple[str, list[int], None]],
) -> None:
    found = read(text_medium(record_length=3), tmp_path / "deck", data)
    assert found.text.tobytes() == b"ABC" * cards
    assert odd_of(found) == expected


@pytest.mark.parametrize("code", ["utf-16", "utf-16-be"])
def test_utf_16_is_refused_by_name(tmp_path: Path, code: str) -> None:
    mark = b"" if code == "utf-16" else b"\xfe\xff"
    (tmp_path / "deck").write_bytes(mark + "ABC\nABC\n".encode(code))
    with pytest.raises(UnreadableDeckError, match="is in UTF-16"):
        text_medium().survey(tmp_path / "deck", 10)


def test_a_deck_of_nothing_but_a_mark_holds_no_cards(tmp_path: Path) -> None:
    (tmp_path / "deck").write_bytes(b"\xef\xbb\xbf")
    with pytest.raises(UnreadableDeckError, match="holds no cards"):
        text_medium().survey(tmp_path / "deck", 10)


def test_line_ends_that_change_from_cr_to_lf_far_on_are_refused(tmp_path: Path) -> None:
    (tmp_path / "deck").write_bytes(b"ABC\r" * 20_000 + b"ABC\n")
    with pytest.raises(UnreadableDeckError, match="ends its first lines with CR and holds LF"):
        text_medium().survey(tmp_path / "deck", 10)


def test_a_deck_larger_than_a_block_is_cut_at_the_right_bytes(tmp_path: Path) -> None:
    lines = [b"%d" % (place * place) for place in range(300_000)]
    deck = tmp_path / "deck"
    deck.write_bytes(b"\r\n".join(lines) + b"\r\n")
    medium = text_medium(record_length=11)
    survey = medium.survey(deck, 70_001)
    parts = [part for span in survey.spans for part in medium.read(deck, span, 9_999)]
    assert (survey.cards, len(survey.spans)) == (300_000, 5)
    text = np.concatenate([part.text for part in parts])
    assert text.tobytes() == b"".join(line.ljust(11) for line in lines)


def test_a_line_end_inside_a_card_is_not_written() -> None:
    text = np.frombuffer(b"ABCA\nC", np.uint8).reshape(2, 3)
    with pytest.raises(UnwritableError, match="column 2"):
        text_medium().encode(text, None, None, LATIN.alphabet)


@pytest.mark.parametrize(("line_end", "end"), [("lf", b"\n"), ("crlf", b"\r\n")])
def test_a_long_line_goes_back_whole(tmp_path: Path, line_end: str, end: bytes) -> None:
    medium = text_medium(record_length=3, line_end=line_end)
    for line in (b"ABCDE", b"ABCD\r"):
        found = read(medium, tmp_path / "deck", line + b"\r\n")
        (record,) = found.odd[-1].records or []
        assert medium.record(record) == line + (b"\r\n" if line.endswith(b"\r") else end)

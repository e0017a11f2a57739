"""The three media: what is read, what is refused, and that nothing is lost on the way."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydantic import ValidationError

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import UnfitCodeError
from deckwright.errors import UnreadableDeckError
from deckwright.plugin.media import Medium, UnwritableError
from deckwright.plugin.values import OddCards, RawTray, Survey
from deckwright_plugins.media import blocks, column_binary
from deckwright_plugins.media.blocks import Blocks, BlocksConfig
from deckwright_plugins.media.column_binary import ColumnBinary, ColumnBinaryConfig
from deckwright_plugins.media.text import medium as text_lines
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


def blocks_medium(**options: Any) -> Blocks:
    """Return a medium of fixed records."""
    config = BlocksConfig(**options)
    return Blocks(config, load_code(config.code))


def binary_medium(**options: Any) -> ColumnBinary:
    """Return a medium of column binary."""
    config = ColumnBinaryConfig(**options)
    return ColumnBinary(config, load_code(config.code))


def trays(
    medium: Medium[Any],
    deck: Path,
    span: int = 1000,
    tray: int = 1000,
) -> tuple[Survey, list[RawTray]]:
    """Survey and read a deck."""
    survey = medium.survey(deck, span)
    return survey, [part for stretch in survey.spans for part in medium.read(deck, stretch, tray)]


def read(medium: Medium[Any], deck: Path, data: bytes) -> RawTray:
    """Write a deck and read it as one tray."""
    deck.write_bytes(data)
    survey, (found,) = trays(medium, deck)
    assert survey.cards == len(found.text)
    assert survey.width == found.text.shape[1]
    return found


def whole(parts: list[RawTray]) -> tuple[Any, ...]:
    """Join trays: text, holes, lengths, and what is odd by card number."""
    width = parts[0].text.shape[1]
    sizes = [np.full(len(p.text), width) if p.lengths is None else p.lengths for p in parts]
    odd = sorted(
        (p.first_card + int(row), o.reason, o.severity, o.detail, *_of(o, place))
        for p in parts
        for o in p.odd
        for place, row in enumerate(o.rows)
    )
    holes = [p.holes for p in parts if p.holes is not None]
    return (
        np.concatenate([p.text for p in parts]).tobytes(),
        np.concatenate(holes).tobytes() if holes else None,
        np.concatenate(sizes).tolist(),
        odd,
    )


def _of(odd: OddCards, place: int) -> tuple[int, bytes]:
    column = 0 if odd.columns is None else int(odd.columns[place])
    return column, b"" if odd.records is None else odd.records[place]


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


ends = st.sampled_from([b"\n", b"\r\n"])
line_bytes = st.binary(max_size=14).map(lambda line: line.replace(b"\n", b"*"))
any_text_deck = st.lists(st.tuples(line_bytes, ends), min_size=1, max_size=30).map(
    lambda lines: b"".join(line + end for line, end in lines),
)


@st.composite
def cut_decks(draw: st.DrawFn) -> tuple[Callable[[], Medium[Any]], bytes]:
    """Draw a medium with a deck that it can read."""
    kind = draw(st.sampled_from(["text", "blocks", "binary"]))
    if kind == "text":
        options = {
            "record_length": draw(st.sampled_from([1, 5, 10, "longest"])),
            "code": draw(st.sampled_from(["ascii", "latin-1", "cp1252"])),
            "shorter": draw(st.sampled_from(["pad", "note", "return"])),
            "tabs": draw(st.sampled_from(["return", "keep"])),
        }
        mark = draw(st.sampled_from([b"", b"\xef\xbb\xbf"]))
        data = mark + draw(any_text_deck) + draw(line_bytes)
        return partial(text_medium, **options), data
    width = draw(st.integers(1, 8))
    cards = draw(st.integers(1, 30))
    size = cards * width * (2 if kind == "binary" else 1)
    data = draw(st.binary(min_size=size, max_size=size))
    make = binary_medium if kind == "binary" else partial(blocks_medium, code="cp424")
    return partial(make, record_length=width), data


@property_test
@given(cut_decks(), st.integers(1, 12), st.integers(1, 12))
def test_any_cut_into_spans_and_trays_gives_the_same_cards(
    tmp_path: Path,
    drawn: tuple[Callable[[], Medium[Any]], bytes],
    span: int,
    tray: int,
) -> None:
    make, data = drawn
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    _, uncut = trays(make(), deck)
    survey, cut = trays(make(), deck, span, tray)
    assert whole(cut) == whole(uncut)
    assert survey.cards == sum(len(part.text) for part in cut)
    assert {part.text.shape[1] for part in cut} == {survey.width}
    assert all(len(part.text) <= tray for part in cut)
    firsts = np.cumsum([1, *(len(part.text) for part in cut)]).tolist()
    assert [part.first_card for part in cut] == firsts[:-1]
    assert [(s.index, s.first_card, s.cards) for s in survey.spans] == [
        (place, first + 1, min(span, survey.cards - first))
        for place, first in enumerate(range(0, survey.cards, span))
    ]
    assert sum(s.size for s in survey.spans) + survey.spans[0].offset == len(data)


@property_test
@given(cut_decks())
def test_a_span_can_be_read_by_a_medium_that_made_no_survey(
    tmp_path: Path,
    drawn: tuple[Callable[[], Medium[Any]], bytes],
) -> None:
    make, data = drawn
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    survey, uncut = trays(make(), deck)
    apart = [part for span in survey.spans for part in make().read(deck, span, 1000)]
    assert whole(apart) == whole(uncut)


matrices = partial(hnp.arrays, np.uint8, st.tuples(st.integers(1, 20), st.integers(1, 12)))


@property_test
@given(matrices(), st.sampled_from(["cp037", "ebcdic", "cp500", "cp424", "cp1252", "ascii"]))
def test_blocks_written_read_back_as_the_same_cards(
    tmp_path: Path,
    text: np.ndarray,
    code: str,
) -> None:
    medium = blocks_medium(code=code, record_length=text.shape[1])
    data = medium.encode(text, None, None, medium.code.alphabet)
    assert len(data) == text.size
    found = read(medium, tmp_path / "deck", data)
    assert (found.text == text).all()
    assert medium.encode(found.text, None, None, medium.code.alphabet) == data


@pytest.mark.parametrize(
    ("medium", "size", "words"),
    [
        (blocks_medium(), 0, "holds no cards"),
        (binary_medium(), 0, "holds no cards"),
        (text_medium(), 0, "holds no cards"),
        (blocks_medium(), 79, "ends inside card 1, after 79 of the 80 bytes"),
        (blocks_medium(), 161, "ends inside card 3, after 1 of the 80 bytes"),
        (blocks_medium(record_length=32760), 32761, "ends inside card 2"),
        (binary_medium(), 80, "ends inside card 1, after 80 of the 160 bytes"),
        (text_medium(), 32_761, "no line end in its first 32,761 bytes; .* kind = 'blocks'"),
        (text_medium(record_length="longest"), 70_000, "no line end in its first 65,536 bytes"),
    ],
)
def test_bytes_that_do_not_make_whole_cards_are_refused(
    tmp_path: Path,
    medium: Medium[Any],
    size: int,
    words: str,
) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(b"\x40" * size)
    with pytest.raises(UnreadableDeckError, match=words):
        medium.survey(deck, 10)


@property_test
@given(st.integers(1, 400), st.integers(1, 90))
def test_blocks_are_read_only_if_their_size_is_a_whole_number_of_records(
    tmp_path: Path,
    size: int,
    length: int,
) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(b"\xf1" * size)
    medium = blocks_medium(record_length=length)
    if size % length:
        with pytest.raises(UnreadableDeckError, match=f"inside card {size // length + 1},"):
            medium.survey(deck, 7)
    else:
        assert medium.survey(deck, 7).cards == size // length


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_lines_read_as_blocks_are_recognised(tmp_path: Path, end: bytes) -> None:
    (tmp_path / "deck").write_bytes((b"A" * 80 + end) * 3)
    with pytest.raises(UnreadableDeckError, match="kind = 'text'"):
        blocks_medium(code="ascii").survey(tmp_path / "deck", 10)


@pytest.mark.parametrize("medium", [blocks_medium(), binary_medium(), text_medium()])
def test_a_deck_that_became_shorter_is_refused(tmp_path: Path, medium: Medium[Any]) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes((b"\x20" * 79 + b"\n") * 4)
    (span,) = medium.survey(deck, 10).spans
    deck.write_bytes((b"\x20" * 79 + b"\n") * 2)
    with pytest.raises(UnreadableDeckError, match="became shorter"):
        list(medium.read(deck, span, 10))


def test_ebcdic_blocks_are_read_as_characters(tmp_path: Path) -> None:
    found = read(blocks_medium(record_length=6), tmp_path / "deck", "Añ1¬ Z".encode("cp037"))
    assert found.text.tobytes() == "Añ1¬ Z".encode("latin-1")
    assert found.holes is None
    assert found.odd == []


def test_bytes_without_a_character_are_named_and_kept(tmp_path: Path) -> None:
    data = b"ABCD" + b"A\xc1\xc2D" + b"ABC\xff"
    medium = blocks_medium(code="ascii", record_length=4)
    found = read(medium, tmp_path / "deck", data)
    assert odd_of(found) == {"undefined-character": ("fatal", [1, 2], [2, 4])}
    assert medium.encode(found.text, None, None, medium.code.alphabet) == data


@pytest.mark.parametrize(
    ("make", "code", "words"),
    [
        (text_medium, "cp037", "has no ASCII line ends.* kind = 'blocks'"),
        (text_medium, "ebcdic", "has no ASCII line ends"),
        (text_medium, "commercial-48", "has holes but no bytes"),
        (blocks_medium, "scientific-64", "has holes but no bytes.*column-binary"),
    ],
)
def test_a_code_that_the_medium_cannot_hold_is_refused(
    make: Callable[..., Medium[Any]],
    code: str,
    words: str,
) -> None:
    with pytest.raises(UnfitCodeError, match=words):
        make(code=code)


@pytest.mark.parametrize(
    ("model", "options"),
    [
        (TextConfig, {"record_length": 0}),
        (TextConfig, {"record_length": 32_761}),
        (TextConfig, {"record_length": "widest"}),
        (TextConfig, {"shorter": "drop"}),
        (BlocksConfig, {"record_length": 32_761}),
        (BlocksConfig, {"tabs": "keep"}),
        (ColumnBinaryConfig, {"record_length": 0}),
    ],
)
def test_options_out_of_range_are_refused(model: type[Any], options: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        model(**options)


@pytest.mark.parametrize(
    ("medium", "character"),
    [
        (text_medium(), "é"),
        (blocks_medium(), "€"),
        (blocks_medium(code="cp1140"), "¤"),
        (binary_medium(code="commercial-48"), "a"),
        (binary_medium(code="latin-1"), "é"),
    ],
)
def test_a_character_that_the_medium_lacks_is_named_and_not_written(
    medium: Medium[Any],
    character: str,
) -> None:
    alphabet = load_code("cp1252" if character == "€" else "latin-1").alphabet
    cards = ["ABC", "ABC", f"A{character}C", f"AB{character}"]
    text = np.frombuffer(alphabet.encode("".join(cards)), np.uint8).reshape(4, 3)
    with pytest.raises(
        UnwritableError, match=f"column 2 holds the character '{character}'"
    ) as caught:
        medium.encode(text, None, None, alphabet)
    error = caught.value
    assert (error.row, error.column, error.character) == (2, 2, character)
    assert error.rows.tolist() == [2, 3]
    assert len(medium.encode(text[:2], None, None, alphabet)) >= 6


@pytest.mark.parametrize("medium", [text_medium(), blocks_medium()])
def test_a_multi_punch_is_not_written_to_a_medium_without_holes(medium: Medium[Any]) -> None:
    text = np.array([[65, 0x1A], [65, 0x1A]], np.uint8)
    holes = np.array([[0x900, 0x007], [0x900, 0x980]], np.uint16)
    alphabet = load_code("ebcdic").alphabet
    with pytest.raises(UnwritableError, match="column 2 holds the holes 12-1-2") as caught:
        medium.encode(text, holes, None, alphabet)
    assert caught.value.rows.tolist() == [1]
    assert medium.encode(text[:1], holes[:1], None, alphabet)[0] in {0x41, 0xC1}


def test_characters_move_between_codes_by_what_they_are() -> None:
    text = np.frombuffer(load_code("cp500").alphabet.encode("A[!é"), np.uint8).reshape(1, 4)
    alphabet = load_code("cp500").alphabet
    assert blocks_medium(code="cp037").encode(text, None, None, alphabet) == "A[!é".encode("cp037")
    assert text_medium(code="cp850").encode(text, None, None, alphabet) == "A[!é\n".encode("cp850")


def test_no_cards_are_no_bytes() -> None:
    none = np.zeros((0, 80), np.uint8)
    for medium in (text_medium(), blocks_medium(), binary_medium()):
        assert medium.encode(none, None, None, LATIN.alphabet) == b""


def test_media_are_brought_by_their_hooks() -> None:
    brought = [
        medium
        for module in (text_lines, blocks, column_binary)
        for medium in module.deckwright_media()
    ]
    assert [medium.kind for medium in brought] == ["text", "blocks", "column-binary"]
    assert [medium.config_model for medium in brought] == [
        TextConfig,
        BlocksConfig,
        ColumnBinaryConfig,
    ]
    for medium in brought:
        assert medium.config_model().kind == medium.kind


def test_suffixes_tell_media_apart() -> None:
    media = (text_medium(), blocks_medium(), blocks_medium(code="ascii"), binary_medium())
    assert [medium.suffix() for medium in media] == ["txt", "ebc", "dat", "cbn"]

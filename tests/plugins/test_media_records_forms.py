"""Records with decimal lengths, and records in segments: read, written, refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydantic import ValidationError

from deckwright import UnfitCodeError, UnreadableDeckError, UnwritableError
from deckwright_plugins.media.records import decimal as walked
from deckwright_plugins.media.records.medium import Records
from deckwright_plugins.media.records.scan import BadDescriptorError
from media_help import (
    medium,
    must_be_one_sentence,
    property_test,
    read,
    same_however_cut,
    trays,
    whole,
    written_back,
)


def decimal(records: list[bytes], code: str = "ascii", block: int = 0, pad: str = "^") -> bytes:
    """Return records behind four digits, in blocks filled up with padding.

    Four digits that count themselves, no record over the end of a block, circumflexes behind the
    last: ECMA-13, 4th edition, 7.2.3 and 7.1.4 (what the clauses say is from memory).
    """
    data = b""
    for record in records:
        item = f"{len(record) + 4:04}".encode(code) + record
        if block and len(data) % block + len(item) > block:
            data += pad.encode(code) * (-len(data) % block)
        data += item
    return data + pad.encode(code) * (-len(data) % block if block else 0)


def segment(part: int, data: bytes) -> bytes:
    """Return a segment behind its word (0 whole, 1 first, 2 last, 3 middle: published widely)."""
    return (len(data) + 4).to_bytes(2, "big") + bytes([part, 0]) + data


def block(*segments: bytes, null: int = -1) -> bytes:
    """Return a block; null: zero bytes behind a null segment (80 00 00 00), if not less than 0."""
    inside = b"".join(segments) + (b"\x80\0\0\0" + bytes(null) if null >= 0 else b"")
    return (len(inside) + 4).to_bytes(2, "big") + b"\0\0" + inside


@st.composite
def spanned(draw: st.DrawFn) -> tuple[list[bytes], bytes]:
    """Draw records, and a deck that has each cut into segments, and these put into blocks."""
    records = draw(st.lists(st.binary(max_size=12), min_size=1, max_size=25))
    segments = []
    for record in records:
        cuts = sorted(draw(st.lists(st.integers(0, len(record)), max_size=3)))
        pieces = [record[a:b] for a, b in zip([0, *cuts], [*cuts, len(record)], strict=True)]
        parts = [0] if len(pieces) == 1 else [1, *[3] * (len(pieces) - 2), 2]
        segments += [segment(part, piece) for part, piece in zip(parts, pieces, strict=True)]
    data = b""
    while segments:
        count = draw(st.integers(1, len(segments)))
        data += block(*segments[:count], null=draw(st.sampled_from([-1, -1, 0, 5])))
        segments = segments[count:]
    return records, data


def records_of(parts: list) -> list[bytes]:
    """Return the records of trays read with enough columns, in internal bytes."""
    text, sizes = b"".join(part.text.tobytes() for part in parts), whole(parts)[2]
    width = parts[0].text.shape[1]
    return [text[row * width :][:size] for row, size in enumerate(sizes)]


OPTIONS = st.fixed_dictionaries(
    {
        "record_length": st.sampled_from([1, 5, 9, "longest"]),
        "shorter": st.sampled_from(["pad", "note", "return"]),
    }
)


@property_test
@given(
    st.lists(st.binary(max_size=12), min_size=1, max_size=40),
    OPTIONS,
    st.sampled_from(["ascii", "cp037", "cp424"]),
    st.sampled_from([0, 0, 16, 17, 50]),
    st.sampled_from(["^", " "]),
    st.integers(1, 12),
    st.integers(1, 12),
)
def test_decimal_lengths_are_followed_in_any_cut(
    tmp_path, records, options, code, full, pad, span, tray
) -> None:
    deck, again = tmp_path / "deck", tmp_path / "again"
    deck.write_bytes(decimal(records, code, full, pad))
    options |= {"form": "decimal", "code": code, "padding": pad + "~", "block_length": full}
    uncut = same_however_cut(lambda: medium(Records, **options), deck, span, tray)
    made = medium(Records, **options)
    if options["record_length"] == "longest":
        expected = [record.translate(made.code.from_raw.tobytes()) for record in records]
        assert records_of(uncut) == expected
    fill = deck.stat().st_size - sum(len(record) + 4 for record in records)
    noted = [odd.detail for part in uncut for odd in part.odd if odd.reason == "padding"]
    assert [int(detail.split()[2].replace(",", "")) for detail in noted] == [fill] * bool(fill)
    again.write_bytes(written_back(made, uncut))
    assert whole_text(trays(made, again)[1]) == whole_text(uncut)
    if not full:
        assert again.read_bytes() == deck.read_bytes()


@property_test
@given(
    st.lists(st.integers(0, 300), min_size=1, max_size=30),
    st.lists(st.tuples(st.integers(0, 600), st.sampled_from(b"^^0019 X")), max_size=3),
    st.sampled_from([0, 400]),
    st.integers(0, 8),
)
def test_going_through_usual_lengths_finds_what_going_through_all_bytes_finds(
    sizes, changes, full, cut
) -> None:
    data = bytearray(decimal([b"0" * (n // 2) + b"7" * (n - n // 2) for n in sizes], block=full))
    for place, value in changes:
        data[place % len(data)] = value
    found = []
    for usual in (128, 0):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(walked, "_USUAL", usual)
            walk = walked.DecimalWalk(b"0123456789", b"^", block=full, full=full > 0)
            try:
                one = walk.find(bytes(data[: len(data) - cut]))
                found.append((one.starts.tolist(), one.widths.tolist(), one.used))
            except BadDescriptorError as error:
                found.append((error.offset, error.records, error.what))
    assert found[0] == found[1]


def whole_text(parts: list) -> tuple:
    """Return text and lengths of trays."""
    return whole(parts)[0], whole(parts)[2]


@property_test
@given(spanned(), OPTIONS, st.integers(1, 12), st.integers(1, 12))
def test_segments_are_joined_in_any_cut(tmp_path, drawn, options, span, tray) -> None:
    records, data = drawn
    deck, again = tmp_path / "deck", tmp_path / "again"
    deck.write_bytes(data)
    options |= {"form": "spanned"}
    uncut = same_however_cut(lambda: medium(Records, **options), deck, span, tray)
    made = medium(Records, **options)
    if options["record_length"] == "longest":
        expected = [record.translate(made.code.from_raw.tobytes()) for record in records]
        assert records_of(uncut) == expected
    again.write_bytes(written_back(made, uncut))
    assert whole_text(trays(made, again)[1]) == whole_text(uncut)


@property_test
@given(
    st.sampled_from(["decimal", "spanned"]),
    hnp.arrays(np.uint8, st.tuples(st.integers(1, 30), st.integers(1, 12))),
    st.data(),
)
def test_cards_and_their_lengths_are_written_and_read_back(tmp_path, form, text, data) -> None:
    count, width = text.shape
    lengths = data.draw(hnp.arrays(np.uint16, count, elements=st.integers(0, width)))
    most = data.draw(st.sampled_from([0, 9 if form == "spanned" else width + 4, 40]))
    made = medium(Records, form=form, record_length=width, block_length=most)
    deck = made.encode(text, None, lengths, made.code.alphabet)
    found = read(made, tmp_path / "deck", deck)
    inside = np.arange(width) < lengths[:, None]
    assert (found.text == np.where(inside, text, 32)).all()
    sizes = np.full(count, width) if found.lengths is None else found.lengths
    assert (sizes == lengths).all()
    if form == "decimal" and most:
        assert len(deck) % most == 0


@pytest.mark.parametrize("form", ["decimal", "spanned"])
def test_long_chains_are_followed_over_every_seam(tmp_path, form) -> None:
    rng = np.random.default_rng(1)
    text = rng.integers(48, 58, (30_000, 80)).astype(np.uint8)  # digits, as lengths are
    lengths = rng.integers(0, 81, 30_000).astype(np.uint16)
    made = medium(Records, form=form, block_length=84)  # nearly every record is cut, or padded
    (tmp_path / "deck").write_bytes(made.encode(text, None, lengths, made.code.alphabet))
    uncut = same_however_cut(
        lambda: medium(Records, form=form, block_length=84), tmp_path / "deck", 7_000, 999
    )
    assert whole(uncut)[2] == lengths.tolist()
    expected = np.where(np.arange(80) < lengths[:, None], text, 32).astype(np.uint8)
    assert whole(uncut)[0] == expected.tobytes()


# digits of the code: 48 to 57 in ASCII, F0 to F9 in EBCDIC; the circumflex of code page 37 is B0
@pytest.mark.parametrize(
    ("code", "deck"),
    [("ascii", b"0006AB0005C^0004^^^^^^0007DEF^^^"), ("cp037", b"\xf0\xf0\xf0\xf5\xc1\xb0")],
)
def test_lengths_are_in_the_digits_of_the_code(tmp_path, code, deck) -> None:
    made = medium(Records, form="decimal", code=code, record_length=3)
    found = read(made, tmp_path / "deck", deck)
    cards = [bytes(row) for row in found.text]
    assert cards == ([b"AB ", b"C  ", b"   ", b"DEF"] if code == "ascii" else [b"A  "])
    (odd,) = found.odd
    assert odd.detail == (
        "padding fills 10 bytes in 3 places between or behind records"
        if code == "ascii"
        else "padding fills 1 byte in 1 place between or behind records"
    )


@pytest.mark.parametrize(
    ("full", "deck", "words"),
    [
        (0, b"^^^^", "holds no cards"),
        (0, b"0006AB00X5C", r"byte 6 \(card 2\): the bytes 30 30 58 35 stand where the four dig"),
        (0, b"0006AB0003C", r"byte 6 \(card 2\): the length says fewer than the 4 bytes"),
        (0, b"0006AB0009C", "ends inside card 2, whose record begins at byte 6"),
        (0, b"0006AB^^00", "ends inside card 2"),
        (0, b"0006AB^^  0004", r"byte 8 \(card 2\): the bytes 20 20 30 30"),
        (8, b"0006AB^^0009ABCDE", r"byte 8 \(block 2, card 2\): the length says 9 bytes, which re"),
        (8, b"0006AB^0005A^^^", r"byte 6 \(block 1, card 2\): padding of 1 byte ends before"),
        (8, b"0006AB0004^^^^", r"byte 6 \(block 1, card 2\): the length says 4 bytes, which re"),
    ],
)
def test_decimal_lengths_that_lead_nowhere_are_named(tmp_path, full, deck, words) -> None:
    (tmp_path / "deck").write_bytes(deck)
    made = medium(Records, form="decimal", code="ascii", record_length=3, block_length=full)
    with pytest.raises(UnreadableDeckError, match=words) as caught:
        made.survey(tmp_path / "deck", 10)
    must_be_one_sentence(caught.value)


A, B = b"\xc1" * 3, b"\xc2" * 2


@pytest.mark.parametrize(
    ("deck", "words"),
    [
        (block(segment(0, A), segment(2, B)), r"byte 11 \(block 1, card 2\): .*the last segm"),
        (block(segment(0, A)) + block(segment(3, B)), r"\(block 2, card 2\): .*a middle segment"),
        (block(segment(1, A), segment(1, B)), r"block 1, card 1\): .*another first segment"),
        (block(segment(1, A)) + block(segment(0, B)), r"block 2, card 1\): .*lacks its last"),
        (block(segment(0, A), segment(1, B)), "inside card 2: its record, which began in block 1"),
        (block(segment(1, A)) + block(segment(3, B)), "lacks its last segment behind 5 bytes"),
        (block(segment(4, A)), "ends in 04 00 where a zero byte or 1 to 3"),
        (block(segment(0, A), null=3)[:-1] + b"x", "block 1, card 2.* null segment, behind which"),
        (block(null=7), "holds no cards"),
    ],
)  # fmt: skip
def test_segments_amiss_are_named_with_block_and_card(tmp_path, deck, words) -> None:
    (tmp_path / "deck").write_bytes(deck)
    with pytest.raises(UnreadableDeckError, match=words) as caught:
        medium(Records, form="spanned").survey(tmp_path / "deck", 10)
    must_be_one_sentence(caught.value)


def test_a_record_of_more_columns_than_a_card_can_have_is_refused(tmp_path) -> None:
    part = bytes(20_000)
    data = block(segment(0, A)) + b"".join(block(segment(p, part)) for p in (1, 3, 3, 2))
    (tmp_path / "deck").write_bytes(data)
    with pytest.raises(UnreadableDeckError, match=r"card 2\): .* more than 32,760 bytes"):
        medium(Records, form="spanned").survey(tmp_path / "deck", 10)
    made = medium(Records, form="spanned", record_length=32_760)
    text = np.full((3, 32_760), 65, np.uint8)
    found = read(made, tmp_path / "deck", made.encode(text, None, None, made.code.alphabet))
    assert (found.text == text).all()


def test_null_segments_are_noted_and_hold_nothing(tmp_path) -> None:
    data = block(segment(1, A), null=4) + block(segment(2, B), null=0) + block(segment(0, A))
    found = read(medium(Records, form="spanned"), tmp_path / "deck", data)
    assert found.text[:, :6].tolist() == [[65] * 3 + [66] * 2 + [32], [65] * 3 + [32] * 3]
    assert [(odd.reason, odd.severity) for odd in found.odd] == [("null-segments", "note")]
    assert found.odd[0].detail.startswith("2 null segments, with zero bytes")


def label(text: str, **places: str) -> bytes:
    """Return a label of 80 characters with texts at character positions, from 1."""
    card = bytearray(text.ljust(80).encode())
    for place, said in places.items():
        first = int(place.removeprefix("p")) - 1
        card[first : first + len(said)] = said.encode()
    return bytes(card)


def tape(cards: bytes, blocks: int, length: int, offset: str = "00") -> bytes:
    """Return cards between labels (positions of ISO 1001 and ANSI X3.27, from memory)."""
    head = label("VOL1DEPOT7") + label("HDR1BOX") + label("HDR2D", p6=f"{length:05}", p51=offset)
    return head + cards + label("EOF1BOX", p55=f"{blocks:06}")


@pytest.mark.parametrize(
    ("cards", "blocks", "words"),
    [
        (decimal([b"AB"] * 3, block=8), 3, None),  # 24 bytes in 3 blocks of at most 8: all full
        (decimal([b"AB"] * 3, block=8), 2, "holds 3 blocks, but its label EOF1 counts 2"),
        (decimal([b"AB", b"AB"]) + b"0012ABCD^^^^" + b"0004^^", 4, "more than a block holds of 8"),
        (decimal([b"AB", b"ABC", b"A", b"AB"]), 4, None),  # shorter blocks, and no padding
        (decimal([b"AB", b"AB", b"ABCD"]) + b"^^^^", 3, "block 1, card 2.*reaches over the end"),
    ],
)
def test_labels_say_what_a_block_can_hold(tmp_path, cards, blocks, words) -> None:
    (tmp_path / "deck").write_bytes(tape(cards, blocks, 8))
    options = {"form": "decimal", "code": "ascii", "labels": "standard"}
    if words is None:
        same_however_cut(lambda: medium(Records, **options), tmp_path / "deck", 2, 1)
        return
    with pytest.raises(UnreadableDeckError, match=words):
        medium(Records, **options).survey(tmp_path / "deck", 10)


def test_blocks_that_begin_with_bytes_of_their_own_are_refused(tmp_path) -> None:
    (tmp_path / "deck").write_bytes(tape(b"0007000AB", 1, 8, "03"))
    made = medium(Records, form="decimal", code="ascii", labels="standard")
    with pytest.raises(UnreadableDeckError, match="begin with 3 bytes of their own"):
        made.survey(tmp_path / "deck", 10)


@pytest.mark.parametrize(
    "options",
    [
        {"form": "decimal", "record_length": 9_996},
        {"form": "decimal", "block_length": 83},
        {"form": "decimal", "padding": ""},
        {"form": "spanned", "block_length": 8},
    ],
)
def test_lengths_that_cannot_be_are_refused(options) -> None:
    with pytest.raises(ValidationError, match=r"record_length|block_length|padding"):
        Records.config_model(**options)


def test_what_decimal_lengths_cannot_say_is_named() -> None:
    with pytest.raises(UnfitCodeError, match="has a digit for padding"):
        medium(Records, form="decimal", padding="^7")
    with pytest.raises(UnfitCodeError, match="has no '€'"):
        medium(Records, form="decimal", padding="€")
    made = medium(Records, form="decimal", record_length="longest", block_length=20)
    with pytest.raises(UnwritableError, match="column 17 holds more than its block holds"):
        made.encode(np.full((1, 17), 65, np.uint8), None, None, made.code.alphabet)
    made = medium(Records, form="decimal", record_length="longest")
    with pytest.raises(UnwritableError, match="column 9996 holds more than four digits say"):
        made.encode(np.full((1, 9_996), 65, np.uint8), None, None, made.code.alphabet)


@property_test
@given(
    st.sampled_from(["decimal", "spanned"]),
    st.data(),
    st.sampled_from([0, 20]),
    st.booleans(),
)
def test_any_bytes_are_cards_or_one_sentence(tmp_path, form, data, full, labels) -> None:
    deck = tmp_path / "deck"
    content = bytearray(decimal([b"AB", b"", b"C" * 9], block=full))
    if form == "spanned":
        content = bytearray(data.draw(spanned())[1])
    for _ in range(data.draw(st.integers(0, 3))):
        place = data.draw(st.integers(0, max(0, len(content) - 1)))
        content[place : place + 1] = data.draw(st.binary(max_size=2))
    deck.write_bytes(content)
    options = {"form": form, "code": "ascii", "labels": "standard" if labels else "none"}
    made = medium(Records, record_length=9, block_length=full, **options)
    try:
        survey, found = trays(made, deck, 3, 2)
    except UnreadableDeckError as error:
        must_be_one_sentence(error)
        return
    assert survey.cards == sum(len(part.text) for part in found)

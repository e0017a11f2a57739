"""Records with descriptor words, in blocks, between labels: read, written, refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydantic import ValidationError

from deckwright import UnfitCodeError, UnreadableDeckError, UnwritableError
from deckwright.cards.codes import load_code
from deckwright_plugins.media.records import scan
from deckwright_plugins.media.records.medium import Records
from media_help import (
    medium,
    must_be_one_sentence,
    property_test,
    read,
    same_however_cut,
    trays,
    written_back,
)

VARIABLE = ["variable", "variable-blocked"]


def word(size: int) -> bytes:
    """Return a descriptor word (from memory: length in two bytes, two zero bytes)."""
    return size.to_bytes(2, "big") + b"\0\0"


def described(records: list[bytes], blocks: list[int] | None = None) -> bytes:
    """Return records with their words; blocks: how many records each block holds."""
    parts = [word(len(record) + 4) + record for record in records]
    if blocks is None:
        return b"".join(parts)
    data, at = b"", 0
    for count in blocks:
        block = b"".join(parts[at : at + count])
        data, at = data + word(len(block) + 4) + block, at + count
    return data


def label(text: str, code: str = "ascii", **places: str) -> bytes:
    """Return a label of 80 characters with texts at character positions, from 1."""
    card = list(text.ljust(80))
    for place, said in places.items():
        first = int(place.removeprefix("p"))
        card[first - 1 : first - 1 + len(said)] = said
    return "".join(card).encode(code)


# positions of ISO 1001 and ANSI X3.27, from memory
def tape(cards: bytes, blocks: int, code: str = "ascii", length: int = 800) -> bytes:
    """Return cards between the labels of a volume."""
    return (
        label("VOL1DEPOT7", code, p38="COUNTY")
        + label("HDR1RECEIPTS", code, p22="DEPOT7", p28="00010001", p42=" 64031", p55="000000")
        + label("HDR2F", code, p6=f"{length:05}", p11="00080")
        + label("UHL1 BOX 12", code)
        + cards
        + label("EOF1RECEIPTS", code, p22="DEPOT7", p28="00010001", p55=f"{blocks:06}")
        + label("EOF2F", code, p6=f"{length:05}", p11="00080")
        + label("UTL1 END OF BOX", code)
    )


@st.composite
def decks(draw: st.DrawFn) -> tuple[dict[str, object], bytes]:
    """Draw options and a deck of records that they describe."""
    form = draw(st.sampled_from(VARIABLE))
    records = draw(st.lists(st.binary(max_size=12), min_size=1, max_size=40))
    blocks = None
    if form == "variable-blocked":
        blocks, left = [], len(records)
        while left:
            blocks.append(draw(st.integers(1, left)))
            left -= blocks[-1]
    options = {
        "form": form,
        "record_length": draw(st.sampled_from([1, 5, 9, "longest"])),
        "shorter": draw(st.sampled_from(["pad", "note", "return"])),
        "code": draw(st.sampled_from(["cp037", "ascii", "cp424"])),
    }
    return options, described(records, blocks)


@property_test
@given(decks(), st.integers(1, 12), st.integers(1, 12))
def test_any_cut_gives_the_same_cards(tmp_path, drawn, span, tray) -> None:
    options, data = drawn
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    uncut = same_however_cut(lambda: medium(Records, **options), deck, span, tray)
    made = medium(Records, **options)
    again = tmp_path / "again"
    again.write_bytes(written_back(made, uncut))
    _, twice = trays(made, again)
    assert [part.text.tobytes() for part in twice] == [part.text.tobytes() for part in uncut]
    if options["form"] == "variable":
        assert again.read_bytes() == data


@property_test
@given(
    st.sampled_from(VARIABLE),
    hnp.arrays(np.uint8, st.tuples(st.integers(1, 30), st.integers(1, 12))),
    st.data(),
)
def test_cards_and_their_lengths_are_written_and_read_back(tmp_path, form, text, data) -> None:
    count, width = text.shape
    lengths = data.draw(hnp.arrays(np.uint16, count, elements=st.integers(0, width)))
    most = data.draw(st.sampled_from([0, 9, 40]))
    made = medium(Records, form=form, record_length=width, block_length=most)
    deck = made.encode(text, None, lengths, made.code.alphabet)
    found = read(made, tmp_path / "deck", deck)
    inside = np.arange(width) < lengths[:, None]
    assert (found.text == np.where(inside, text, 32)).all()
    sizes = np.full(count, width) if found.lengths is None else found.lengths
    assert (sizes == lengths).all()


@pytest.mark.parametrize("form", VARIABLE)
def test_long_chains_are_followed_over_every_seam(tmp_path, form) -> None:
    rng = np.random.default_rng(1)
    text = rng.integers(65, 91, (60_000, 80)).astype(np.uint8)
    lengths = rng.integers(0, 81, 60_000).astype(np.uint16)
    made = medium(Records, form=form)
    (tmp_path / "deck").write_bytes(made.encode(text, None, lengths, made.code.alphabet))
    _, found = trays(made, tmp_path / "deck", 7_000, 999)
    assert (
        np.concatenate(
            [np.full(len(p.text), 80) if p.lengths is None else p.lengths for p in found]
        ).tolist()
        == lengths.tolist()
    )
    expected = np.where(np.arange(80) < lengths[:, None], text, 32)
    assert (np.concatenate([part.text for part in found]) == expected).all()


def test_a_block_is_filled_and_not_more(tmp_path) -> None:
    made = medium(Records, record_length=10, block_length=34)
    text = np.full((5, 10), 65, np.uint8)
    data = made.encode(text, None, None, made.code.alphabet)
    record = word(14) + b"\xc1" * 10
    assert data == (word(32) + record * 2) * 2 + word(18) + record


@pytest.mark.parametrize(
    ("form", "data", "words"),
    [
        ("variable", b"", "holds no cards"),
        ("variable", word(6) + b"AB" + word(3) + b"CD", r"byte 6 \(card 2\): .* says 3 bytes"),
        ("variable", word(6) + b"AB" + b"\x00\x08\x01\x00" + b"CDEF", r"card 2.*spanned record"),
        ("variable", word(6) + b"AB" + b"\x00\x08\x00\x07" + b"CDEF", "two zero bytes must stand"),
        ("variable", word(6) + b"AB" + word(9) + b"CD", "ends inside card 2, whose .* at byte 6"),
        ("variable", word(6) + b"AB" + b"\0", "ends inside card 2"),
        ("variable", b"\xff\xff\0\0" + bytes(70_000), r"byte 0 \(card 1\): .* says 65,535 bytes"),
        ("variable-blocked", word(4), "the block descriptor word says 4 bytes, where 8 to"),
        ("variable-blocked", word(10) + word(7) + b"AB", "reaches over the end of its block"),
        ("variable-blocked", word(11) + word(6) + b"ABC", "says|ends|reaches"),
        ("variable-blocked", word(10) + word(6) + b"A", "ends inside card 1"),
        ("fixed-blocked", b"A" * 81, "ends inside card 2, after 1 of the 80 bytes"),
    ],
)  # fmt: skip
def test_words_that_lead_nowhere_are_named_with_byte_and_card(tmp_path, form, data, words) -> None:
    (tmp_path / "deck").write_bytes(data)
    with pytest.raises(UnreadableDeckError, match=words) as caught:
        medium(Records, form=form).survey(tmp_path / "deck", 10)
    assert "\n" not in str(caught.value)


def test_short_and_long_records_are_treated_as_told(tmp_path) -> None:
    data = described([b"\xc1\xc2", b"\xc1\xc2\xc3\xc4"])
    made = medium(Records, form="variable", record_length=3, shorter="note")
    found = read(made, tmp_path / "deck", data)
    said = {
        odd.reason: (odd.severity, odd.rows.tolist(), odd.columns.tolist()) for odd in found.odd
    }
    assert said == {"short-record": ("note", [0], [3]), "long-record": ("fatal", [1], [4])}
    assert written_back(made, [found]) == data
    with pytest.raises(UnreadableDeckError, match="has 4 columns in card 2, more than 3; set a"):
        medium(Records, form="variable", record_length=3, longer="error").survey(
            tmp_path / "deck", 9
        )


@pytest.mark.parametrize("code", ["ascii", "cp037"])
def test_labels_are_reported_and_are_no_cards(tmp_path, code) -> None:
    cards = "".join(f"{n:<80}" for n in range(25)).encode(code)
    made = medium(Records, form="fixed-blocked", code=code, labels="standard")
    found = read(made, tmp_path / "deck", tape(cards, 3, code))
    assert len(found.text) == 25
    assert found.text[24, :2].tobytes() == b"24"
    said = [odd.detail for odd in found.odd]
    assert {(odd.reason, odd.severity, odd.rows.tolist()[0]) for odd in found.odd} == {
        ("label", "note", 0)
    }
    assert said[0] == "label VOL1: volume 'DEPOT7', owner 'COUNTY'"
    assert "file 'RECEIPTS', set 'DEPOT7', section '0001', sequence '0001'" in said[1]
    assert said[2] == "label HDR2: record format 'F', block length '00800', record length '00080'"
    assert said[3] == "label UHL1: text ' BOX 12'"
    assert "blocks '000003'" in said[4]
    assert len(said) == 7


@pytest.mark.parametrize("form", ["fixed-blocked", "variable-blocked"])
def test_a_block_count_that_does_not_hold_is_refused(tmp_path, form) -> None:
    cards = b"".join(b"%-80d" % n for n in range(25))
    if form == "variable-blocked":
        cards = described([cards[n : n + 80] for n in range(0, 2000, 80)], [10, 10, 5])
    made = medium(Records, form=form, code="ascii", labels="standard")
    (tmp_path / "deck").write_bytes(tape(cards, 3))
    assert made.survey(tmp_path / "deck", 10).cards == 25
    (tmp_path / "deck").write_bytes(tape(cards, 4))
    with pytest.raises(UnreadableDeckError, match="holds 3 blocks, but its label EOF1 counts 4"):
        made.survey(tmp_path / "deck", 10)


def test_a_deck_between_labels_may_be_cut_anywhere(tmp_path) -> None:
    cards = described([b"A" * n for n in range(1, 40)], [7, 7, 7, 7, 7, 4])
    (tmp_path / "deck").write_bytes(tape(cards, 6))
    options = {"code": "ascii", "labels": "standard", "record_length": 40}
    same_however_cut(lambda: medium(Records, **options), tmp_path / "deck", 5, 3)


def test_a_deck_without_the_labels_that_it_should_have_is_read_and_noted(tmp_path) -> None:
    made = medium(Records, form="fixed-blocked", code="ascii", labels="standard")
    found = read(made, tmp_path / "deck", b"%-80d" % 1)
    assert [(odd.reason, odd.severity) for odd in found.odd] == [("no-labels", "note")]
    cut = tape(b"%-80d" % 1, 1)[:-240]
    assert read(made, tmp_path / "deck", cut).odd[-1].reason == "no-end-label"
    (tmp_path / "deck").write_bytes(label("VOL1DEPOT7") + label("HDR1RECEIPTS"))
    with pytest.raises(UnreadableDeckError, match="holds labels and no cards"):
        made.survey(tmp_path / "deck", 10)


@pytest.mark.parametrize(
    "options",
    [
        {"form": "fixed-blocked", "record_length": "longest"},
        {"form": "fixed-blocked", "block_length": 81},
        {"form": "variable-blocked", "block_length": 8},
        {"form": "variable", "record_length": 32_753},
    ],
)
def test_lengths_that_cannot_be_are_refused(options) -> None:
    with pytest.raises(ValidationError, match=r"record_length|block_length"):
        Records.config_model(**options)


def test_what_records_cannot_hold_is_named() -> None:
    with pytest.raises(UnfitCodeError, match="has holes but no bytes"):
        medium(Records, code="commercial-48")
    made = medium(Records, form="variable")
    with pytest.raises(UnwritableError, match="column 32753 holds more than a descriptor word"):
        made.encode(np.full((1, 32_760), 65, np.uint8), None, None, made.code.alphabet)
    ebcdic = load_code("ebcdic").alphabet
    with pytest.raises(UnwritableError, match="column 1 holds the holes 12-1-2"):
        made.encode(np.array([[26]], np.uint8), np.array([[0x980]], np.uint16), None, ebcdic)


@property_test
@given(st.sampled_from([*VARIABLE, "fixed-blocked"]), st.binary(max_size=700), st.booleans())
def test_any_bytes_are_cards_or_one_sentence(tmp_path, form, data, labels) -> None:
    deck = tmp_path / "deck"
    deck.write_bytes(data)
    made = medium(Records, form=form, labels="standard" if labels else "none")
    try:
        survey, found = trays(made, deck, 3, 2)
    except UnreadableDeckError as error:
        must_be_one_sentence(error)
        return
    assert survey.cards == sum(len(part.text) for part in found)


@property_test
@given(
    decks(),
    st.lists(st.tuples(st.integers(0, 600), st.sampled_from([0, 0, 1, 4, 9, 255])), max_size=4),
    st.integers(0, 8),
)
def test_going_through_likely_words_finds_what_going_through_all_bytes_finds(
    drawn, changes, cut
) -> None:
    options, whole = drawn
    data = bytearray(whole)
    for place, value in changes:
        data[place % len(data)] = value
    found = []
    for likely in (scan._likely, lambda *_: scan._NOWHERE):  # noqa: SLF001 # both ways
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(scan, "_likely", likely)
            try:
                blocked = options["form"] == "variable-blocked"
                one = scan.find_records(bytes(data[: len(data) - cut]), blocked=blocked)
                found.append(
                    (one.starts.tolist(), one.widths.tolist(), one.blocks.tolist(), one.used)
                )
            except scan.BadDescriptorError as error:
                found.append((error.offset, error.records, error.what))
    assert found[0] == found[1]

"""Decks of every kind are taken for what they are; what the bytes do not tell is asked."""

from __future__ import annotations

import gzip
import io
import tarfile
import zipfile
from typing import Any

import numpy as np
import pytest
import zstandard
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deckwright import BIT_LAYOUTS, bit_layout
from deckwright.cards.codes import load_code
from deckwright.examine.deck import examine
from deckwright.examine.opening.opening import Media
from deckwright.identify.periods import CARD, record_lengths
from examine.conftest import blank_cards, digits, put, text_deck
from learning.invented import invented_deck

quick = settings(max_examples=12, deadline=None)
dear = settings(max_examples=4, deadline=None)


def records(count: int, length: int, seed: int) -> np.ndarray:
    """Return records of numbers, words and codes, uint8 (n, L), as no two columns are alike."""
    dice = np.random.default_rng(seed)
    cells = np.full((count, length), 32, np.uint8)
    column = 0
    while column < length:
        width = int(dice.integers(1, 9))
        some = np.frombuffer(dice.choice([b"0123456789", b"ABCDEFG", b"NS", b"  1"]), np.uint8)
        part = cells[:, column : column + width]
        part[:] = some[dice.integers(0, len(some), part.shape)]
        column += width + int(dice.integers(0, 3))
    return cells


@quick
@given(length=st.integers(20, 400), count=st.integers(60, 120), seed=st.integers(0, 10_000))
def test_the_length_of_records_is_told_by_their_columns(length, count, seed) -> None:
    cells = records(count, length, seed)
    best, *others = record_lengths(cells.ravel(), cells.size)
    assert best.length == length or length % best.length == 0 or best.doubt == length
    assert best.whole
    assert all(other.keeps < best.keeps for other in others)


# the same bytes each time: among very many decks of noise, one or another has a pattern by chance
@settings(quick, derandomize=True, database=None)
@given(st.binary(min_size=400, max_size=4_000))
def test_bytes_without_order_are_cards_only_by_their_number(data) -> None:
    found = record_lengths(np.random.default_rng(len(data)).permutation(
        np.frombuffer(data, np.uint8)), len(data))  # fmt: skip
    if len(data) % CARD == 0:
        assert found[0].length == CARD
    assert all(0 < one.keeps <= 1 for one in found)


@pytest.mark.parametrize(
    ("length", "code"),
    list(zip([72, 81, 90, 96, 120, 128, 133, 137], ["ascii", "cp037"] * 4, strict=True)),
)
def test_records_of_any_length_are_found(write, planted, length, code) -> None:
    cards = np.concatenate([planted(150), records(150, 60, 3)], axis=1)[:, :length]
    found = examine([write(cards.tobytes().decode("ascii").encode(code))])
    assert (found.cards, found.width, found.code.name) == (150, length, code)
    assert found.reading.sure


@pytest.mark.parametrize("length", [72, 96, 120, 132])
@pytest.mark.parametrize("seed", [3005, 3010, 3021])
def test_few_records_are_not_cut_into_shorter_ones(write, length, seed) -> None:
    # 32, 36 and 55 records, some with fields that repeat along the record
    cards, _ = invented_deck(seed)
    wide = np.concatenate([cards, np.roll(cards, 1, axis=0)], axis=1)[:, :length]
    data = np.ascontiguousarray(wide).tobytes()
    best = record_lengths(np.frombuffer(data, np.uint8), len(data))[0]
    assert best.length == length


def test_cards_that_take_turns_are_asked_about(write) -> None:
    # a set of four cards, always in this order, may as well be one record of 320
    cards = np.concatenate([records(100, 80, seed)[:, None] for seed in range(4)], axis=1)
    found = examine([write(cards.reshape(-1, 80).tobytes())])
    assert (found.cards, found.width) == (400, 80)
    assert not found.reading.sure
    assert "have 320 bytes, or they have 80 and come in sets of 4" in found.reading.question
    named = examine([write(cards.tobytes())], medium={"kind": "blocks", "record_length": 320,
                                                       "code": "ascii"})  # fmt: skip
    assert (named.cards, named.reading.sure) == (100, True)


@pytest.mark.parametrize(
    ("widths", "expected"),
    [
        ([80] * 50, 80), ([56] * 50, 56), ([187] * 50, 187), ([40, 52, 71] * 20, 80),
        ([80] * 200 + [87], 80), ([69, 104] * 30, 104), ([12], 80), ([0, 33, 0], 80),
    ],
)  # fmt: skip
def test_lines_are_as_wide_as_they_say(write, widths, expected) -> None:
    lines = [b"A1" * (width // 2) + b"9" * (width % 2) for width in widths]
    assert examine([write(b"\n".join(lines) + b"\n")]).width == expected


def on_media(cards: np.ndarray) -> dict[str, tuple[bytes, dict[str, Any]]]:
    """Return a deck on every medium, with what must be found out."""
    media = Media()
    alphabet = load_code("ascii").alphabet
    tables: list[dict[str, Any]] = [
        {"kind": "text"},
        {"kind": "blocks", "record_length": 80},
        *({"kind": "column-binary", "bits": bits} for bits in BIT_LAYOUTS),
        {"kind": "records", "form": "variable"},
        {"kind": "records", "form": "variable-blocked"},
        *(
            {"kind": "transcript", "form": form, "between": between}
            for form in ("columns", "rows")
            for between in ("empty-line", "count")
        ),
        {"kind": "transcript", "form": "rows", "order": "9-first"},
    ]
    return {
        " ".join(map(str, table.values())): (
            media.medium(table).encode(cards, None, None, alphabet),
            table,
        )
        for table in tables
    }


@pytest.fixture(scope="module")
def decks(planted) -> dict[str, tuple[bytes, dict[str, Any]]]:
    """Return decks on every medium."""
    return on_media(planted(60))


MEDIA = list(on_media(blank_cards(1)))


@pytest.mark.parametrize("name", MEDIA)
def test_a_medium_is_recognised(write, decks, name) -> None:
    data, table = decks[name]
    found = examine([write(data)])
    assert table.items() <= found.reading.options.items()
    assert found.reading.sure
    assert (found.cards, found.data_cards, found.width) == (60, 60, 80)
    assert [(one.first, one.last) for one in found.sequences] == [(73, 80)]


@pytest.mark.parametrize("wrapping", ["gzip", "zstd", "zip", "tar", "tar.gz"])
def test_what_is_wrapped_is_recognised_and_can_be_run(
    write, decks, shop, tmp_path, wrapping
) -> None:
    data, table = decks["column-binary two-halves"]
    buffer = io.BytesIO()
    if wrapping == "zip":
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr("box", data)
    if wrapping.startswith("tar"):
        with tarfile.open(fileobj=buffer, mode="w:gz" if "gz" in wrapping else "w") as archive:
            info = tarfile.TarInfo("box")
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    packed = {"gzip": gzip.compress(data), "zstd": zstandard.compress(data)}
    deck = write(packed.get(wrapping) or buffer.getvalue(), "box.dck")
    found = examine([deck])
    assert found.reading.options["kind"] == "wrapped"
    assert table.items() <= found.reading.options["inside"].items()
    assert found.cards == 60
    assert shop.say("examine", deck, "--brief", "--propose", tmp_path / "p").code == 0
    said = shop.say("run", tmp_path / "p" / "box.toml", deck, "--out", tmp_path / "out")
    assert said.code == 0, said.err
    assert shop.control(tmp_path / "out")["equation"]["holds"]


CODES = st.sampled_from([("1", "2", "3"), ("A", "B"), ("RG", "SM"), ("01", "02", "12"),
                         ("RDA", "RDB", "SUM"), ("X", " "), ("10", "11", "20", "21")])  # fmt: skip


def cards_of_types(codes, first: int, names: int, kinds: np.ndarray) -> np.ndarray:
    """Return cards of the types that `kinds` tells, with a code from a column on.

    Each kind has numbers in columns of its own, and a name in columns of its own, that of the
    first kind from column `names` on, the others' before it.
    """
    dice = np.random.default_rng(int(kinds[:20].sum()))
    cards = blank_cards(len(kinds))
    body = 1 if first > 30 else first + len(codes[0]) + 2
    for number, code in enumerate(codes):
        rows = np.flatnonzero(kinds == number)
        part = blank_cards(len(rows))
        put(part, body + 6 * number, digits(dice.integers(0, 10**5, len(rows)), 5))
        letters = np.frombuffer(b"ABCDEFGHIJKLMNOPQRST", np.uint8)
        put(part, names - 3 * number, letters[dice.integers(0, 20, (len(rows), 9))])
        put(part, first, np.tile(np.frombuffer(code.encode(), np.uint8), (len(rows), 1)))
        cards[rows] = part
    return cards


@dear
@given(codes=CODES, first=st.integers(1, 60), seed=st.integers(0, 1_000))
@example(codes=("RG", "SM"), first=1, seed=0)
@example(codes=("X", " "), first=80, seed=0)
@example(codes=("X", " "), first=33, seed=0)
def test_codes_of_card_types_are_found_whole(room, codes, first, seed) -> None:
    kinds = np.random.default_rng(seed).integers(0, len(codes), 400)
    # beside the code, never around it
    names = first + len(codes[0]) + 29 if first < 20 else 60 if first < 40 else 28
    deck = room() / "deck.dck"
    deck.write_bytes(cards_of_types(codes, first, names, kinds).tobytes())
    types = examine([deck], medium={"kind": "blocks", "code": "ascii"}).types
    assert (types.column, types.last) == (first, first + len(codes[0]) - 1), types.sentence
    counted = {value: one.cards for one in types.types for value in one.values}
    assert counted == {code: int((kinds == n).sum()) for n, code in enumerate(codes)}


@dear
@given(codes=CODES, seed=st.integers(0, 1_000), place=st.integers(0, 8))
@example(codes=("X", " "), seed=0, place=5)
def test_a_code_within_a_name_is_found_whole_or_not_at_all(room, codes, seed, place) -> None:
    """A letter amid letters, or a blank at the end of a name, is no code that anybody can see."""
    kinds = np.random.default_rng(seed).integers(0, len(codes), 400)
    first = 40 + place
    deck = room() / "deck.dck"
    deck.write_bytes(cards_of_types(codes, first, 40, kinds).tobytes())
    types = examine([deck], medium={"kind": "blocks", "code": "ascii"}).types
    if types.column:
        assert (types.column, types.last) == (first, first + len(codes[0]) - 1), types.sentence


@dear
@given(
    first=st.integers(2, 60),
    whole=st.integers(1, 5),
    decimals=st.integers(1, 5),
    signed=st.booleans(),
    seed=st.integers(0, 1_000),
)
def test_numbers_with_a_punched_point_are_found(room, first, whole, decimals, signed, seed) -> None:
    dice = np.random.default_rng(seed)
    values = dice.integers(0, 10 ** (whole + decimals), 300)
    values //= 10 ** dice.integers(0, whole, 300)
    low = -1 if signed else 1
    texts = [
        f"{sign * value / 10**decimals:{whole + 1 + signed + decimals}.{decimals}f}"
        for value, sign in zip(values.tolist(), dice.choice([low, 1], 300).tolist(), strict=True)
    ]
    width = max(map(len, texts))
    cards = blank_cards(300)
    put(cards, first, np.array([list(text.rjust(width).encode()) for text in texts], np.uint8))
    deck = room() / "deck.txt"
    deck.write_bytes(text_deck(cards))
    guesses = examine([deck]).types.types[0].guesses
    (guess,) = [one for one in guesses if one.what == "decimal number"]
    assert guess.last == first + width - 1
    assert guess.options["decimals"] == decimals
    assert guess.failing == 0


def test_lines_in_utf8_are_read_and_asked_about(write) -> None:
    lines = [f"{number:05} {'MÜLLER' if number % 9 == 0 else 'MARLOW'}" for number in range(90)]
    found = examine([write("\n".join(lines).encode())])
    assert found.counted
    assert not found.reading.sure
    assert "are UTF-8 with letters that take several bytes" in found.reading.question
    plain = examine([write("\n".join(lines).replace("Ü", "U").encode())])
    assert plain.reading.sure


def test_columns_that_hold_no_text_say_nothing_about_the_code(write, planted) -> None:
    dice = np.random.default_rng(4)
    holes = load_code("ebcdic").to_holes.astype(np.uint16)[planted(300)]
    holes[:, 50:66] = dice.integers(0, 4_096, (300, 16))
    found = examine([write(bit_layout("two-bytes").images(holes).tobytes())])
    assert found.code.name == "ebcdic"
    assert found.reading.options["bits"] == "two-bytes"
    assert "hold no text and are left out" in found.reading.media.sentence
    # binary numbers in records of EBCDIC
    raw = np.frombuffer(planted(300).tobytes().decode().encode("cp037"), np.uint8)
    raw = raw.reshape(300, 80).copy()
    raw[:, 50:56] = dice.integers(0, 256, (300, 6))
    found = examine([write(raw.tobytes())])
    assert (found.code.name, found.reading.sure) == ("cp037", True)


def test_a_few_banners_and_control_cards_do_not_change_the_code(write, planted) -> None:
    cards = planted(400)
    cards[0] = list(b"//BOX JOB (7),CLASS=A".ljust(80))
    cards[200] = ord("*")
    cards[-1] = list(b"/*".ljust(80))
    found = examine([write(cards.tobytes().decode().encode("cp037"))])
    assert (found.code.name, found.reading.sure) == ("cp037", True)
    assert {odd.reason: odd.count for odd in found.odd} == {"control-card": 2, "separator": 1}

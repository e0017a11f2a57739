"""Ranking: the right code and medium come first, with a margin, or a person is asked."""

from __future__ import annotations

import gzip
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright import BIT_LAYOUTS
from deckwright.cards.codes import UnknownCodeError, load_code
from deckwright.cards.codetable import UnfitCodeError
from deckwright.cards.holes import PATTERNS, ROWS, fits_eight_bit_rule, parse_pattern, row_bit
from deckwright.errors import ConfigError
from deckwright.identify.mediaranking import rank_media
from deckwright.identify.plausible import characters_of, read_cells
from deckwright.identify.ranking import BYTE_CODES, HOLE_CODES, differing_cells, rank_codes
from deckwright_plugins.media.blocks import Blocks
from deckwright_plugins.media.column_binary import ColumnBinary
from deckwright_plugins.media.records.medium import Records
from deckwright_plugins.media.text.medium import TextLines
from deckwright_plugins.media.transcript.medium import Transcript
from media_help import medium, property_test

WORDS = [
    "NORTH",
    "SOUTH",
    "HILL",
    "DEPOT",
    "VALVE",
    "PUMP",
    "RING",
    "BOLT",
    "PLATE",
    "ROD",
    "GAUGE",
]

# invented remarks with the signs that only some codes have, or have elsewhere
REMARKS = {
    "ebcdic": ["NOT ¬ SET", "COST 5¢", "A|B", "50%", "R&D", "A+B=C"],
    "ascii-card": ["STOP! NOW!", "SET [A] TO [B]", "A^B", "50%", "HALT!"],
    "iso6586": ["STOP! NOW!", "[A]", "CAFÉ NOIR", "MÜLLER & SOHN", "HALT!"],
    "commercial-48": ["#12 @ 4", "5% OFF", "BOLT & NUT", "RING & ROD", "#7 @ 9"],
    "commercial-64": ["#12 @ 4", "5% OFF", "BOLT & NUT", "WHICH? NO;", "A<B"],
    "scientific-48": ["A=(B+C)*D", "X=Y+(Z-1)", "F(X)=2", "G('A')", "(1)+(2)"],
    "scientific-64": ["A=(B+C)*D", "X=Y+(Z-1)", "F(X)=2", "WHICH? NO;", "G('A')"],
    "cp500": ["STOP! NOW!", "SET [A] TO [B]", "HALT!", "A(B)", "50%"],
    "cp273": ["MÜLLER & SÖHNE", "GRÖSSE", "ÄPFEL", "KÖLN", "STÜCK"],
    "ascii": ["Stop! now!", "set [a] to [b]", "50%", "x = (y+1)"],
    "latin-1": ["café noir", "Müller & Söhne", "año 12", "50%"],
    "cp1252": ["café “noir”", "5 € net", "Müller", "œuvre"],
    "cp437": ["café noir", "Müller", "año 12", "Söhne"],
    "cp850": ["ÅSE SØRBY", "Große Ø", "año 12", "NØRRE Å", "Ýmir"],
    "cp037": ["NOT ¬ SET", "COST 5¢", "A|B", "(A) & B", "50%"],
    "cp1047": ["SET [A] TO [B]", "X[1]=2", "Y[2]=3", "NOT ¬ SET"],
    "cp1140": ["5 € NET", "NOT ¬ SET", "COST 5¢", "50%"],
}


def texts(count: int, remarks: Sequence[str] = ("",), seed: int = 1) -> list[str]:
    """Return invented cards: number, count, two words, amount, remark, sequence number."""
    rng = np.random.default_rng(seed)
    cards = []
    for number in range(count):
        words = " ".join(rng.choice(WORDS, 2))
        amount = rng.integers(0, 10_000) / 100
        remark = remarks[number % len(remarks)]
        front = f"{number * 7 % 100_000:05}{rng.integers(0, 10**7):07}{words:<20}{amount:8.2f}"
        cards.append(f"{front} {remark}".ljust(72) + f"{number:08}")
    return cards


def cells(code_name: str, cards: Sequence[str], *, holes: bool) -> Any:
    """Return cards as raw bytes or as patterns of a code."""
    code = load_code(code_name)
    table = code.to_holes if holes else code.to_raw
    assert table is not None
    slots = np.frombuffer(code.alphabet.encode("".join(cards)), np.uint8).reshape(-1, 80)
    raw = table[slots]
    assert raw.min() >= 0
    return raw.astype(np.uint16 if holes else np.uint8)


def codes_that_exist(names: Sequence[str]) -> list[str]:
    """Return the codes among these that this Python has."""
    found = []
    for name in names:
        try:
            load_code(name)
        except UnknownCodeError:
            continue
        found.append(name)
    return found


@pytest.mark.parametrize("count", [50, 2_000])
@pytest.mark.parametrize(
    ("name", "holes"),
    [(n, True) for n in HOLE_CODES] + [(n, False) for n in codes_that_exist(BYTE_CODES)],
)
def test_the_code_of_a_deck_comes_first(name, holes, count) -> None:
    ranking = rank_codes(cells(name, texts(count, REMARKS[name]), holes=holes))
    best = ranking.candidates[0]
    assert name in {best.name, *best.same}, ranking.sentence
    assert best.evidence["legal"] == 1
    assert 0 < ranking.margin <= best.score <= 1
    assert [c.score for c in ranking.candidates] == sorted(
        (c.score for c in ranking.candidates), reverse=True
    )


@pytest.mark.parametrize(
    ("name", "other", "holes"),
    [("ebcdic", "ascii-card", True), ("cp037", "latin-1", False), ("ascii", "cp037", False)],
)
def test_codes_that_read_a_deck_alike_are_one_candidate_and_others_are_far(
    name, other, holes
) -> None:
    data = cells(name, texts(50), holes=holes)
    ranking = rank_codes(data, [name, other])
    if holes:
        assert len(ranking.candidates) == 1
        assert ranking.candidates[0].same == (other,)
    else:
        assert ranking.candidates[0].name == name
        assert ranking.margin > 0.3
    assert ranking.sure


def test_too_little_evidence_is_said_and_nothing_is_chosen() -> None:
    few = cells("ascii-card", [*texts(400), *texts(1, ["HALT!"])], holes=True)
    ranking = rank_codes(few, ["ascii-card", "ebcdic"])
    assert not ranking.sure
    assert ranking.sentence.endswith("too little to choose without asking")
    assert differing_cells(load_code("ebcdic"), load_code("ascii-card"), few).readings == (
        ("12-8-7", "|", "!", 1),
    )
    assert not rank_codes(np.zeros((50, 80), np.uint16)).sure
    assert not rank_codes(np.zeros((0, 80), np.uint16)).sure
    noise = np.random.default_rng(1).integers(0, PATTERNS, (500, 80)).astype(np.uint16)
    assert not rank_codes(noise).sure
    assert not rank_codes(noise.astype(np.uint8)).sure


def test_the_fit_of_a_layout_decides_where_signs_do_not() -> None:
    deck = cells("ascii-card", texts(60, ["A!"]), holes=True)
    names = ["ascii-card", "ebcdic"]
    liked = rank_codes(deck, names, fit=lambda _, code: 0.2 if code.name == "ascii-card" else 1.0)
    assert liked.candidates[0].name == "ebcdic"
    assert liked.candidates[1].evidence["fit"] == 0.2
    assert liked.sure


def test_a_code_that_is_named_and_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UnknownCodeError, match="did you mean 'ebcdic'"):
        rank_codes(np.zeros((1, 80), np.uint16), ["ebcdicc"])
    own = tmp_path / "own.toml"
    own.write_text('base = "ebcdic"\n[holes]\n"Å" = "11-8-3"\n', encoding="utf-8")
    names = {c.name for c in rank_codes(cells("ebcdic", texts(9, ["$5"]), holes=True),
                                        folders=[tmp_path]).candidates}  # fmt: skip
    assert "own" in names
    own.write_text('[holes]\n"A" = "12-1"\n"B" = "12-1"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match=r"'B' and 'A' .*are both punched 12-1; keep one"):
        rank_codes(np.zeros((1, 80), np.uint16), ["own"], [tmp_path])


# computed from the published tables: ANSI X3.26 (second hand) against code page 037
def test_the_ascii_card_code_and_code_page_037_read_five_patterns_differently() -> None:
    ascii_card, page = load_code("ascii-card"), load_code("cp037")
    assert ascii_card.from_holes is not None
    common = np.flatnonzero(ascii_card.from_holes >= 0).astype(np.uint16)[None, :]
    found = differing_cells(ascii_card, page, common)
    assert {name for name, *_ in found.readings} == {
        "12-8-7",
        "12-8-2",
        "11-8-2",
        "11-8-7",
        "12-11",
    }
    european = differing_cells(ascii_card, load_code("cp500"), common)
    assert [name for name, *_ in european.readings] == ["12-11"]


# ISO 6586:1980: 256 of 4,096 patterns; the counts of lost and added holes are computed from it
def test_a_lost_hole_is_always_legal_and_an_added_one_in_39_percent_of_cases() -> None:
    legal = fits_eight_bit_rule(np.arange(PATTERNS, dtype=np.uint16))
    assert legal.sum() == 256
    bits = [row_bit(row) for row in ROWS]
    patterns = np.flatnonzero(legal).tolist()
    lost = [legal[p ^ bit] for p in patterns for bit in bits if p & bit]
    added = [legal[p | bit] for p in patterns for bit in bits if not p & bit]
    assert (sum(lost), len(lost)) == (864, 864)
    assert (sum(added), len(added)) == (864, 2208)


@property_test
@given(
    st.lists(st.integers(0, PATTERNS - 1), min_size=1, max_size=60),
    st.sampled_from(["ebcdic", "ascii-card", "iso6586", "commercial-64", "scientific-48"]),
    st.sampled_from(["ebcdic", "ascii-card", "iso6586", "commercial-64", "scientific-48"]),
)
def test_differing_cells_are_those_of_a_comparison_one_by_one(values, first, second) -> None:
    holes = np.resize(np.array(values, np.uint16), (-(-len(values) // 5), 5))
    one, two = load_code(first), load_code(second)

    def said(code: Any, pattern: int) -> str | None:
        slot = int(code.from_holes[pattern])
        return code.alphabet.characters[slot] if slot >= 0 else None

    expected = [[said(one, p) != said(two, p) for p in row] for row in holes.tolist()]
    found = differing_cells(one, two, holes)
    assert found.cells.tolist() == expected
    assert found.columns.tolist() == [c + 1 for c in range(5) if any(row[c] for row in expected)]
    assert found.rows.tolist() == [n for n, row in enumerate(expected) if any(row)]
    assert sum(count for *_, count in found.readings) == sum(map(sum, expected))
    for name, a, b, _ in found.readings:
        pattern = parse_pattern(name)
        assert (a, b) == (said(one, pattern) or "", said(two, pattern) or "")


def test_cells_are_compared_in_codes_that_have_them() -> None:
    with pytest.raises(UnfitCodeError, match="has holes but no bytes"):
        differing_cells(load_code("cp037"), load_code("commercial-48"), np.zeros((1, 1), np.uint8))


MEDIA: list[tuple[Any, dict[str, Any]]] = [
    *((ColumnBinary, {"bits": bits}) for bits in BIT_LAYOUTS),
    (Records, {"form": "variable"}),
    (Records, {"form": "variable-blocked"}),
    (Records, {"form": "variable-blocked", "code": "ascii"}),
    (Transcript, {"form": "columns", "between": "empty-line"}),
    (Transcript, {"form": "columns", "between": "count"}),
    (Transcript, {"form": "rows", "order": "12-first", "between": "empty-line"}),
    (Transcript, {"form": "rows", "order": "9-first", "between": "count"}),
    (Transcript, {"form": "rows", "order": "9-first", "between": "count", "hole": "X"}),
    (TextLines, {}),
    (Blocks, {}),
    (Blocks, {"code": "ascii"}),
]


@pytest.mark.parametrize(
    ("kind", "options", "count"),
    [*((*each, 50) for each in MEDIA), *((*MEDIA[place], 3_000) for place in (0, -11, -7, -3, -1))],
    ids=lambda each: str(each)[-60:],
)
def test_the_medium_of_a_deck_comes_first_and_its_options_read_it(
    tmp_path, kind, options, count
) -> None:
    made = medium(kind, **options)
    alphabet = made.code.alphabet
    cards = "".join(texts(count, ["", "A-1, B/2", "UNIT"]))
    text = np.frombuffer(alphabet.encode(cards), np.uint8).reshape(-1, 80)
    deck = tmp_path / "deck"
    deck.write_bytes(made.encode(text, None, None, alphabet))
    ranking = rank_media(deck)
    best = ranking.candidates[0]
    chosen = dict(best.options)
    chosen.pop("code")
    assert chosen.pop("kind") == made.kind, ranking.sentence
    assert {key: getattr(made.config, key) for key in chosen} == chosen
    assert ranking.sure, ranking.sentence
    again = medium(kind, **{k: v for k, v in best.options.items() if k != "kind"})
    (span,) = again.survey(deck, 10_000).spans
    found = np.concatenate([part.text for part in again.read(deck, span, 10_000)])
    assert again.code.alphabet.decode(found.tobytes()) == cards


def test_a_wrapped_deck_is_named_and_an_empty_one_too(tmp_path) -> None:
    (tmp_path / "deck").write_bytes(gzip.compress(b"1\n"))
    ranking = rank_media(tmp_path / "deck")
    assert ranking.candidates[0].options == {"kind": "wrapped", "wrapped": "gzip"}
    (tmp_path / "deck").write_bytes(b"")
    assert rank_media(tmp_path / "deck").candidates == ()


@property_test
@given(st.binary(min_size=1, max_size=2_000))
def test_random_bytes_are_never_chosen_without_asking(tmp_path, data) -> None:
    (tmp_path / "deck").write_bytes(bytes([7]) + data)
    ranking = rank_media(tmp_path / "deck")
    assert not ranking.sure or ranking.candidates[0].evidence["legal"] >= 0.9
    assert all(0 <= candidate.score <= 1 for candidate in ranking.candidates)


def test_noise_is_no_deck(tmp_path) -> None:
    noise = np.random.default_rng(2).integers(0, 256, 160 * 500).astype(np.uint8)
    (tmp_path / "deck").write_bytes(noise.tobytes())
    assert not rank_media(tmp_path / "deck").sure


def test_a_sign_weighs_less_where_it_is_not_used() -> None:
    characters = characters_of(load_code("latin-1"), holes=False)

    def score(text: bytes) -> float:
        return read_cells(
            np.frombuffer(text, np.uint8)[None, :].astype(np.uint16), characters
        ).score

    for sign, good, bad in ((b"%", b"12%", b"A %"), (b",", b"AB,", b" ,A"), (b"#", b"A#1", b"A# ")):
        assert score(good) > score(bad), sign

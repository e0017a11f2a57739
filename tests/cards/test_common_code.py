"""Codes of several decks put together: nothing is lost on the way there and back."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.cards.commoncode import common_code

CODES = (
    "ascii", "latin-1", "cp037", "cp500", "cp273", "cp1140", "cp1252", "iso8859-15", "ebcdic",
    "iso6586", "ascii-card", "commercial-48", "commercial-64", "scientific-64",
)  # fmt: skip
EVERY = bytes(range(256))
TOO_MANY = {("cp1252", "commercial-64"), ("cp1252", "scientific-64")}
PAIRS = [pair for pair in combinations(CODES, 2) if pair not in TOO_MANY]


@pytest.mark.parametrize("names", PAIRS, ids="-".join)
def test_every_byte_comes_back_and_every_character_stays_what_it_is(names: tuple[str, ...]) -> None:
    codes = [load_code(name) for name in names]
    common, shares = common_code(codes)
    for code, share in zip(codes, shares, strict=True):
        assert EVERY.translate(share.to_common).translate(share.to_own) == EVERY
        for own, character in enumerate(code.alphabet.characters):
            there = share.to_common[own]
            if share.undefined[there]:
                # one that is no character here, or a control character for which there is no place
                assert character is None or 0x80 <= ord(character) < 0xA0
            else:
                assert common.alphabet.characters[there] == character
        ascii_there = [slot for slot in range(128) if code.alphabet.characters[slot] is not None]
        assert all(share.to_common[slot] == slot for slot in ascii_there)


def test_a_byte_without_a_character_is_no_character_of_another_code() -> None:
    _, (share, _) = common_code([load_code("ascii"), load_code("cp037")])
    assert share.undefined[share.to_common[0xE9]]
    assert not share.undefined[ord("A")]


def test_codes_with_too_many_characters_are_refused() -> None:
    for names in {("koi8-r", "cp437"), *TOO_MANY}:
        with pytest.raises(ValueError, match="characters too many"):
            common_code([load_code(name) for name in names])


def test_one_code_stays_itself() -> None:
    code = load_code("cp037")
    common, shares = common_code([code, code])
    assert common is code
    assert all(share.is_same for share in shares)


@given(st.lists(st.sampled_from(CODES), min_size=2, max_size=5))
def test_holes_are_those_of_a_code_that_has_the_character(names: list[str]) -> None:
    codes = [load_code(name) for name in names]
    try:
        common, _ = common_code(codes)
    except ValueError:
        return
    if common.to_holes is None:
        return
    for slot in np.flatnonzero(common.to_holes >= 0).tolist():
        character = common.alphabet.characters[slot]
        punched = {
            int(code.to_holes[own])
            for code in codes
            if code.to_holes is not None
            for own, char in enumerate(code.alphabet.characters)
            if char == character and char is not None
        }
        assert int(common.to_holes[slot]) in punched

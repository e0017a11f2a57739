"""The order of characters of a deck is that of its own code, or of the holes that it has."""

from __future__ import annotations

import pytest

from deckwright.cards.codes import code_names, load_code
from deckwright.cards.collate import collating_ranks

NAMES = [name for name in code_names() if load_code(name).to_holes is not None]
OF_HOLES = [name for name in NAMES if load_code(name).to_raw is None]
LAST = 255


def ranked(name: str, sequence: str) -> dict[str, int]:
    """Return the rank of each character of a code."""
    code = load_code(name)
    ranks = collating_ranks(code, sequence)
    assert ranks is not None
    characters = code.alphabet.characters
    return {each: ranks[slot] for slot, each in enumerate(characters) if each is not None}


@pytest.mark.parametrize("name", OF_HOLES)
def test_a_code_of_holes_orders_as_the_8_bit_card_code_does_the_same_holes(name) -> None:
    code, holes = load_code(name), load_code("ebcdic")
    expected = {}
    for slot, character in enumerate(code.alphabet.characters):
        if character is None:
            continue
        pattern = int(code.to_holes[slot])
        there = int(holes.from_holes[pattern]) if pattern >= 0 else -1
        byte = int(holes.to_raw[there]) if there >= 0 else -1
        expected[character] = byte if byte >= 0 else LAST
    assert ranked(name, "card") == expected
    assert expected[" "] == 0x40


@pytest.mark.parametrize("name", [name for name in NAMES if name not in OF_HOLES])
def test_a_code_of_bytes_orders_by_its_bytes(name) -> None:
    code = load_code(name)
    raw = code.to_raw.tolist()
    expected = {
        each: raw[slot] if raw[slot] >= 0 else LAST
        for slot, each in enumerate(code.alphabet.characters)
        if each is not None
    }
    assert ranked(name, "card") == expected


def test_ebcdic_orders_as_code_page_037_and_ascii_as_it_stands() -> None:
    found = ranked("ebcdic", "ebcdic")
    for character, rank in found.items():
        try:
            assert rank == character.encode("cp037")[0]
        except UnicodeEncodeError:
            assert rank == LAST
    assert collating_ranks(load_code("ebcdic"), "ascii") is None

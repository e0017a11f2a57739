"""What is said of columns whose holes are no character of the code."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import ILLEGAL
from deckwright.cards.holes import PATTERNS, format_pattern, parse_pattern
from deckwright.layout.foundtext import spelled_out

CODES = ("ebcdic", "ascii-card", "commercial-64", "scientific-64", "iso6586")


@settings(deadline=None)
@given(
    hnp.arrays(
        np.uint16,
        st.tuples(st.integers(1, 9), st.integers(1, 6)),
        elements=st.integers(1, PATTERNS - 1),
    ),
    st.sampled_from(CODES),
)
def test_every_column_says_its_character_or_its_holes(holes: np.ndarray, name: str) -> None:
    code = load_code(name)
    assert code.from_holes is not None
    meant = code.from_holes[holes]
    text = np.where(meant < 0, ILLEGAL, meant).astype(np.uint8)
    wanted = [
        "".join(
            f"[{format_pattern(int(pattern))}]"
            if slot < 0
            else code.alphabet.characters[slot] or "\ufffd"
            for pattern, slot in zip(patterns, slots, strict=True)
        )
        for patterns, slots in zip(holes.tolist(), meant.tolist(), strict=True)
    ]
    said = spelled_out(text, holes, code)
    assert said == (wanted if (meant < 0).any() else None)


def test_a_column_that_was_not_read_is_not_called_blank() -> None:
    text = np.array([[49, ILLEGAL, ILLEGAL]], np.uint8)
    holes = np.array([[parse_pattern("1"), 0, parse_pattern("12-1-2")]], np.uint16)
    assert spelled_out(text, holes, load_code("ebcdic")) == ["1\ufffd[12-1-2]"]


def test_a_zero_byte_of_a_code_stays() -> None:
    code = load_code("ascii-card")
    assert code.to_holes is not None
    null = int(code.to_holes[0])
    holes = np.array([[null, parse_pattern("1-2")]], np.uint16)
    text = np.array([[0, ILLEGAL]], np.uint8)
    assert spelled_out(text, holes, code) == ["\0[1-2]"]

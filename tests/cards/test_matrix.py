"""Columns, rows and blank cards of a matrix of text, against plain slices; however it lies."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from deckwright.cards.matrix import blank_rows, cut, rows_of

TEXTS = st.builds(
    lambda count, width, seed, shape: lying(
        np.random.default_rng(seed).choice(np.frombuffer(b"   A9", np.uint8), (count, width)), shape
    ),
    st.integers(0, 6),
    st.integers(1, 20),
    st.integers(0, 999),
    st.sampled_from(["in rows", "in columns", "every other", "turned"]),
)


def lying(text: np.ndarray, shape: str) -> np.ndarray:
    """Return the same text as another way of lying in memory."""
    if shape == "in columns":
        return np.asfortranarray(text)
    if shape == "every other":
        return np.repeat(text, 2, axis=0)[::2]
    return text[:, ::-1] if shape == "turned" else text


@given(TEXTS, st.data())
def test_columns_are_those_of_a_slice(text, data) -> None:
    first = data.draw(st.integers(1, text.shape[1]))
    last = data.draw(st.integers(first, text.shape[1]))
    found = cut(text, first, last)
    assert found.tolist() == text[:, first - 1 : last].tolist()
    assert found.shape == (len(text), last - first + 1)
    assert found.flags.c_contiguous


@given(TEXTS, st.data())
def test_rows_come_in_the_order_asked_for(text, data) -> None:
    places = st.lists(st.integers(0, max(0, len(text) - 1)), max_size=8 if len(text) else 0)
    rows = np.array(data.draw(places), np.intp)
    found = rows_of(text, rows)
    assert found.tolist() == [text[row].tolist() for row in rows]
    assert found.flags.c_contiguous


@given(TEXTS)
def test_a_card_is_blank_where_every_column_is(text) -> None:
    assert blank_rows(text).tolist() == [set(row) <= {32} for row in text.tolist()]

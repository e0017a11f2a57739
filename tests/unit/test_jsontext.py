"""Indented JSON: the bytes that the library's own encoder would write."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.jsontext import indented

# any code unit may stand in a name, also half of a pair
texts = st.text(st.characters(), max_size=8) | st.just("deck-\udcff\x7f\n")
plain = texts | st.integers() | st.floats() | st.booleans() | st.none()
values = st.recursive(
    plain,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.tuples(inner, inner)
        | st.dictionaries(texts, inner, max_size=4)
    ),
    max_leaves=20,
)


@given(values, st.sampled_from([1, 2]), st.booleans())
def test_it_is_what_the_library_writes(value, step, only_ascii):
    wanted = json.dumps(value, indent=step, ensure_ascii=only_ascii)
    assert indented(value, step, only_ascii=only_ascii) == wanted


@pytest.mark.parametrize("value", [object(), {"a": [b"bytes"]}])
def test_what_json_does_not_know_is_refused(value):
    with pytest.raises(TypeError, match="not JSON serializable"):
        indented(value)

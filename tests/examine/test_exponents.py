"""Numbers with exponents are proposed in a unit that holds each of them exactly."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deckwright.examine.deck import examine
from deckwright.examine.guess.exponents import exponent_options
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.reading import Layout
from examine.conftest import blank_cards, digits, put, text_deck

WIDTH = 12


def cells_of(texts) -> np.ndarray:
    """Return texts as bytes (w, n)."""
    return np.array([list(text.encode()) for text in texts], np.uint8).T


numbers = st.builds(
    "{}{}.{:04d}E{:+03d}".format,
    st.sampled_from(["", "-"]),
    st.integers(1, 9),
    st.integers(0, 9999),
    st.integers(-5, 5),
)


@given(texts=st.lists(numbers, min_size=1, max_size=40))
def test_the_unit_holds_every_number_exactly(texts) -> None:
    texts = [text.rjust(WIDTH) for text in texts]
    options = exponent_options(cells_of(texts), len(texts))
    assert options is not None
    field = FieldSpec.model_validate({"name": "flow", "columns": f"1-{WIDTH}", **options})
    spec = LayoutSpec(record_length=WIDTH, field=[field])
    assert not layout_problems(spec)
    values, failures = Layout(spec, "made").check(cells_of(texts).T.copy())
    assert not failures
    read = [Decimal(int(one)).scaleb(-field.decimals) for one in values["flow"].data]
    assert read == [Decimal(text.strip()) for text in texts]


@given(texts=st.lists(st.text("0159.+-ED ", min_size=6, max_size=6), min_size=1, max_size=20))
def test_whatever_else_stands_there_does_no_harm(texts) -> None:
    options = exponent_options(cells_of(texts), len(texts))
    assert options is None or options["kind"] == "exponent"


@pytest.mark.parametrize(
    ("texts", "form"),
    [
        ([" 8.33E-4", "-1.27E+2"], "9.99E+9"),
        (["9.023200+4", "1.000000-2"], "9.999999+9"),
        ([" 0.833D-03", " 0.127D+02"], "0.999D+99"),
        ([".833E-04", ".127E+02"], ".999E+99"),
    ],
)
def test_the_form_is_that_of_the_numbers(texts, form) -> None:
    options = exponent_options(cells_of(texts), len(texts))
    assert options is not None
    assert options["form"] == form


def test_numbers_too_far_apart_for_one_unit_are_text() -> None:
    assert exponent_options(cells_of([" 1.5E-12", " 1.5E+12"]), 2) is None


def test_of_a_part_of_a_deck_the_unit_is_smaller() -> None:
    cells = cells_of([" 1.5E-02"])
    assert exponent_options(cells, 10)["decimals"] == 3
    assert exponent_options(cells, 20_000)["decimals"] == 5


def test_a_deck_of_such_numbers_is_proposed_with_them(tmp_path) -> None:
    random = np.random.default_rng(5)
    cards = blank_cards(400)
    put(cards, 1, digits(random.integers(1000, 9999, 400), 4))
    texts = [
        f"{random.uniform(1, 10):.4f}E{int(power):+03d}" for power in random.integers(-4, 5, 400)
    ]
    put(cards, 8, cells_of(texts).T)
    deck = tmp_path / "flows.txt"
    deck.write_bytes(text_deck(cards))
    guesses = {one.columns: one for one in examine([deck]).types.types[0].guesses}
    found = next(one for one in guesses.values() if one.what == "number with exponent")
    assert (found.first, found.last) == (8, 17)
    assert found.options == {"kind": "exponent", "form": "9.9999E+99", "decimals": 8}

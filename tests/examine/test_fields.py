"""Divisions of a card into fields, weighed against each other."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from deckwright.cards.codes import load_code
from deckwright.examine.count.classes import byte_classes
from deckwright.examine.fields.candidates import Spans, figure_names, spans_of
from deckwright.examine.fields.columnfigures import figures_of
from deckwright.examine.fields.datespans import date_spans
from deckwright.examine.fields.found import find_fields
from deckwright.examine.fields.signs import shares_of, sign_table
from deckwright.examine.fields.weighing import best, weigh

KINDS = byte_classes(load_code("ascii"))
TABLE = sign_table(KINDS)

# each shape once more, as a regular expression
EXPRESSIONS = {
    "whole": r" *([+-] *)?\d+| *",
    "left": r"[+-]?\d* *",
    "point": r" *([+-] *)?\d*\.\d*| *",
    "exponent": (r" *([+-] *)?(\d+\.?\d*|\.\d*)([ED]([+-]| )* *\d+|[+-] *\d+)| *"),
    "zone behind": r" *\d*[A-R{}]?",
    "zone before": r" *([+-]|[A-R{}]|\d)?\d*",
}


def every_span(width: int) -> Spans:
    pairs = [(first, last) for first in range(width) for last in range(first, width)]
    first, last = np.array(pairs).T
    return Spans(first, last, np.zeros((len(pairs), 1), np.float32))


def divisions(width: int) -> list[list[tuple[int, int]]]:
    """Return every way to divide columns into spans."""
    found = []
    for cuts in range(2 ** (width - 1)):
        edges = [0, *(at + 1 for at in range(width - 1) if cuts >> at & 1), width]
        found.append([(low, high - 1) for low, high in pairwise(edges)])
    return found


@given(data=st.data(), width=st.integers(1, 6))
def test_every_division_counts_as_it_weighs(data, width) -> None:
    spans = every_span(width)
    place = {
        span: at
        for at, span in enumerate(zip(spans.first.tolist(), spans.last.tolist(), strict=True))
    }
    scores = np.array(
        data.draw(st.lists(st.floats(-5, 5), min_size=len(place), max_size=len(place)))
    )
    ways = divisions(width)
    sums = np.array([sum(scores[place[span]] for span in way) for way in ways])
    weighed = weigh(spans, scores, width)
    assert weighed.log == pytest.approx(np.log(np.exp(sums).sum()))
    shares = np.exp(sums - weighed.log)
    for span, at in place.items():
        having = [span in way for way in ways]
        assert weighed.chance[at] == pytest.approx(shares[having].sum(), abs=1e-9)
    chosen = sum(scores[best(spans, scores, width)])
    assert chosen == pytest.approx(sums.max())


TEXTS = st.lists(
    st.text(alphabet=" 0129+-.EDAJ{}", min_size=5, max_size=5), min_size=1, max_size=30
)


@pytest.mark.parametrize("shape", ["whole", "left", "point", "zone behind", "zone before"])
@given(texts=TEXTS)
def test_shapes_are_those_of_regular_expressions(shape, texts) -> None:
    cells = np.array([list(text.encode()) for text in texts], np.uint8).T
    wanted = [bool(re.fullmatch(EXPRESSIONS[shape], text)) for text in texts]
    assert shares_of(TABLE[cells])[shape] == pytest.approx(np.mean(wanted))


@pytest.mark.parametrize(
    ("text", "is_number"),
    [("8.33E-4", True), ("4.0000E+05", True), ("9.023200+4", True), ("  -1.5D+02", True),
     ("1.5E", False), ("E+05", False), ("1.5E+0X", False), ("12345", False)],
)  # fmt: skip
def test_numbers_with_exponents_are_known(text, is_number) -> None:
    cells = np.array([list(text.encode())], np.uint8).T
    assert shares_of(TABLE[cells])["exponent"] == is_number


@settings(max_examples=25)
@given(
    text=arrays(np.uint8, st.tuples(st.integers(1, 40), st.integers(1, 12))),
    known=st.booleans(),
)
def test_fields_cover_every_column_once_whatever_is_punched(text, known) -> None:
    spans = [(0, min(2, text.shape[1] - 1))] if known else []
    found = find_fields(text, KINDS, spans)
    columns = [column for span in found for column in range(span.first, span.last + 1)]
    assert columns == list(range(text.shape[1]))
    assert all(0 <= span.sure <= 1 for span in found)
    assert set(spans) <= {(span.first, span.last) for span in found}


@settings(max_examples=25)
@given(text=arrays(np.uint8, (30, 10), elements=st.sampled_from(list(b" 0129AE-."))))
def test_figures_are_numbers_of_a_size(text) -> None:
    figures = figures_of(text, TABLE)
    dates = {span: date.sure for span, date in date_spans(figures).items()}
    spans = spans_of(figures, dates)
    assert spans.figures.shape == (len(spans.first), len(figure_names()))
    assert np.isfinite(spans.figures).all()
    assert np.abs(spans.figures).max() <= 4


def test_every_figure_has_its_weight() -> None:
    place = files("deckwright.examine.fields") / "weights.json"
    assert list(json.loads(place.read_text())["weights"]) == figure_names()


def test_shuffled_columns_tell_a_date_from_digits() -> None:
    random = np.random.default_rng(1)
    days = np.datetime64("1957-01-01") + random.integers(0, 2_000, 300)
    texts = [str(day).replace("-", "")[2:] for day in days]
    cells = np.array([list(text.encode()) for text in texts], np.uint8)
    (date,) = [one for one in date_spans(figures_of(cells, TABLE)).values() if one.form == "YYMMDD"]
    assert date.share == 1
    assert date.sure > 0.75
    shuffled = random.permuted(cells, axis=0)
    assert not date_spans(figures_of(shuffled, TABLE)).get((0, 5))

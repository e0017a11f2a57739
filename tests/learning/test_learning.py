"""The invented decks are what they say, and learning goes the right way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deckwright.cards.codes import load_code
from deckwright.examine.count.classes import byte_classes
from deckwright.examine.fields.weighing import scores_of, weigh
from learning.invented import WIDTH, invented_deck
from learning.learn import Lesson, _slope, learn, lesson_of

KINDS = byte_classes(load_code("ascii"))


@settings(max_examples=20)
@given(seed=st.integers(0, 10_000))
def test_fields_of_an_invented_deck_do_not_overlap_and_hold_all_that_is_punched(seed) -> None:
    text, truth = invented_deck(seed)
    assert text.shape[1] == WIDTH
    columns = [column for first, last in truth for column in range(first, last + 1)]
    assert columns == sorted(set(columns))
    punched = np.flatnonzero((text != ord(" ")).any(axis=0))
    assert set(punched.tolist()) <= set(columns)
    again, same = invented_deck(seed)
    assert (again == text).all()
    assert same == truth


def lessons(count: int) -> list[Lesson]:
    found = (lesson_of(*invented_deck(seed), KINDS) for seed in range(count))
    return [lesson for lesson in found if lesson is not None]


def likelihood(lesson: Lesson, weights: np.ndarray) -> float:
    """Return the logarithm of how likely the true division of a deck is."""
    spans = replace(lesson.spans, figures=lesson.spans.figures.astype(np.float32))
    scores = scores_of(spans, weights)
    return float(scores[lesson.true].sum()) - weigh(spans, scores, lesson.width).log


def test_the_slope_is_that_of_the_likelihood() -> None:
    (lesson,) = lessons(1)
    random = np.random.default_rng(1)
    weights = random.normal(0, 0.3, lesson.spans.figures.shape[1]).astype(np.float32)
    way = random.normal(0, 1, len(weights)).astype(np.float32)
    step = np.float32(1e-3)
    rise = likelihood(lesson, weights + step * way) - likelihood(lesson, weights - step * way)
    assert rise / (2e-3) == pytest.approx(float(_slope(lesson, weights) @ way), rel=0.02, abs=0.05)


def test_what_was_learnt_is_likelier_than_what_was_not() -> None:
    some = lessons(6)
    nothing = np.zeros(some[0].spans.figures.shape[1], np.float32)
    learnt = learn(some, rounds=4)
    before = sum(likelihood(lesson, nothing) for lesson in some)
    assert sum(likelihood(lesson, learnt) for lesson in some) > before * 0.7

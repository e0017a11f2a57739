"""Learn what the figures of a span weigh, from invented decks.

In the folder `tests`: `python -m learning.learn`.

The weights are those under which the true divisions of the decks are likeliest, kept small by the
sum of their squares. Of every four decks one is set aside; how well its fields are found is
printed, which tells that the learning worked, and nothing about decks of others.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import deckwright.examine.fields as package
from deckwright.cards.codes import load_code
from deckwright.examine.count.classes import byte_classes
from deckwright.examine.count.sampling import Sample
from deckwright.examine.fields.candidates import Spans, figure_names, spans_of
from deckwright.examine.fields.columnfigures import ColumnFigures, figures_of
from deckwright.examine.fields.datespans import date_spans
from deckwright.examine.fields.found import CARDS
from deckwright.examine.fields.signs import sign_table
from deckwright.examine.fields.weighing import best, scores_of, weigh
from deckwright.examine.guess.columns import look_at
from deckwright.examine.guess.sequencefinding import find_sequences
from learning.invented import Truth, invented_deck

DECKS, ROUNDS, SMALL = 600, 32, 0.001
"""How many decks, how often each is gone through, and how small weights are kept."""

_BATCH = 20
_RATE = 0.1
_STEPS = (0, 0.5, 0.7, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.01)


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """A deck's spans, kept small, and the places of the true ones."""

    spans: Spans
    true: NDArray[np.intp]
    width: int


def lesson_of(text: NDArray[np.uint8], truth: Truth, kinds: NDArray[np.uint8]) -> Lesson | None:
    """Return the lesson of a deck; None where a field is wider than any span."""
    whole = Sample(text, None, np.arange(1, len(text) + 1), whole=True)
    known = [(first - 1, last - 1) for first, last in find_sequences(look_at(whole, kinds))[:3]]
    rows = np.linspace(0, len(text) - 1, min(CARDS, len(text))).astype(int)
    figures = figures_of(text[rows], sign_table(kinds))
    dates = {span: date.sure for span, date in date_spans(figures).items()}
    spans = spans_of(figures, dates, known)
    places = {
        span: place
        for place, span in enumerate(zip(spans.first.tolist(), spans.last.tolist(), strict=True))
    }
    wanted = [places.get(span, -1) for span in _seen(figures, truth)]
    if min(wanted) < 0:
        return None
    small = Spans(spans.first, spans.last, spans.figures.astype(np.float16))
    return Lesson(small, np.array(wanted), figures.width)


def _seen(figures: ColumnFigures, truth: Truth) -> list[tuple[int, int]]:
    """Return the fields as far as they are punched; columns that no card uses are spans."""
    unused = figures.nature == 0
    found: list[tuple[int, int]] = []
    at = 0
    for start, end in [*truth, (figures.width, figures.width)]:
        first, last = start, end
        while first <= last and first < figures.width and unused[first]:
            first += 1
        while last >= first and last < figures.width and unused[last]:
            last -= 1
        if first > last:
            continue
        if at < first:
            found.append((at, first - 1))
        found.append((first, last))
        at = last + 1
    return [span for span in found if span[0] < figures.width]


def learn(lessons: list[Lesson], rounds: int = ROUNDS) -> NDArray[np.float32]:
    """Return float32 (f): the weights, by steps along the slope of the likelihood (Adam)."""
    random = np.random.default_rng(0)
    weights = np.zeros(len(figure_names()), np.float32)
    mean, square, step = np.zeros(len(weights)), np.zeros(len(weights)), 0
    for each in range(rounds):
        rate = _RATE * 0.5 * (1 + np.cos(np.pi * each / rounds)) + 0.001
        order = random.permutation(len(lessons))
        for first in range(0, len(order), _BATCH):
            part = order[first : first + _BATCH]
            slope = sum(_slope(lessons[place], weights) for place in part) / _BATCH
            slope = slope - SMALL * weights
            step += 1
            mean = 0.9 * mean + 0.1 * slope
            square = 0.99 * square + 0.01 * slope * slope
            move = mean / (1 - 0.9**step) / (np.sqrt(square / (1 - 0.99**step)) + 1e-6)
            weights = (weights + rate * move).astype(np.float32)
    return weights


def _slope(lesson: Lesson, weights: NDArray[np.float32]) -> NDArray[np.float64]:
    figures = lesson.spans.figures.astype(np.float32)
    spans = replace(lesson.spans, figures=figures)
    weighed = weigh(spans, scores_of(spans, weights), lesson.width)
    return (figures[lesson.true].sum(axis=0) - weighed.chance @ figures).astype(np.float64)


def report(lessons: list[Lesson], weights: NDArray[np.float32]) -> list[str]:
    """Return how many true spans are found, and how often spans of each sureness are wrong."""
    sure: list[tuple[float, bool]] = []
    true = 0
    for lesson in lessons:
        scores = scores_of(lesson.spans, weights)
        chance = weigh(lesson.spans, scores, lesson.width).chance
        wanted = set(lesson.true.tolist())
        true += len(wanted)
        sure += [
            (float(chance[place]), place in wanted)
            for place in best(lesson.spans, scores, lesson.width)
        ]
    right = sum(good for _, good in sure)
    lines = [f"{right:,} of {true:,} spans found; {len(sure) - right:,} of {len(sure):,} wrong"]
    for low, high in pairwise(_STEPS):
        part = [good for chance, good in sure if low <= chance < high]
        if part:
            lines.append(f"  {low:5} to {high:5}: {len(part):6,}, {part.count(False):5,} wrong")
    return lines


def main() -> None:
    """Learn, print a report, write the weights into the package."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--decks", type=int, default=DECKS)
    parser.add_argument("--dry", action="store_true", help="write nothing")
    asked = parser.parse_args()
    kinds = byte_classes(load_code("ascii"))
    made = (lesson_of(*invented_deck(seed), kinds) for seed in range(asked.decks))
    lessons = [lesson for lesson in made if lesson is not None]
    apart, kept = lessons[::4], [one for place, one in enumerate(lessons) if place % 4]
    weights = learn(kept)
    print("\n".join(report(apart, weights)))
    if not asked.dry:
        named = zip(figure_names(), weights.tolist(), strict=True)
        table = {"decks": asked.decks, "weights": {name: round(one, 4) for name, one in named}}
        place = Path(package.__file__).parent / "weights.json"
        place.write_text(json.dumps(table, indent=0) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

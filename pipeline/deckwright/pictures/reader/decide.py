"""From evidence to a probability for each place, and to hole, no hole or unsure.

The probability comes from a small logistic model whose coefficients are data of the package, fitted
on simulated cards. It never decides alone: a place that does not look like a hole or like paper in
each respect is unsure, whatever its probability.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.reader.curves import spread
from deckwright.pictures.reader.faintplaces import ghosts
from deckwright.pictures.reader.measure import FEATURES, Evidence

Floats = NDArray[np.float64]
Places = NDArray[np.bool_]

HOLE_FROM: Final = 0.97
"""A place is a hole from this probability on."""

PAPER_TO: Final = 0.03
"""A place is paper up to this probability; between the two it is unsure."""

# below and above, paper is paper and a hole a hole: what is left is print, noise and shadow
_ENOUGH: Final = 8  # holes whose level can be told
_SLACK: Final = 0.03  # of the contrast, by which the levels of holes may differ at least
_WIDTH_SLACK: Final = 0.45  # of a strip a third of a millimetre wide: 0.17 mm
DEEPER: Final = 0.2
"""Of the contrast: many holes that are alike may lie in deeper shadow than a few."""

_SIZED: Final = (-0.7, 0.9)  # the strips at two edges together, less the inside
MOST_SPREAD: Final = 0.06
"""Of the contrast: places whose levels are spread by more are not all holes."""

_ODD_ONES: Final = (0.6, -1.0)
_CLIP: Final = (0.15, 0.9)


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """The logistic model.

    Attributes:
        weights: float64 (7), one for each of `measure.FEATURES`.
        constant: what is added.
        made: how the coefficients were made.
    """

    weights: Floats
    constant: float
    made: str

    def probability(self, features: Floats) -> Floats:
        """Return the probability of a hole for features (..., 7)."""
        score = np.clip(features, *_CLIP) @ self.weights + self.constant
        return np.asarray(1 / (1 + np.exp(-np.clip(score, -30, 30))))


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """What was decided of the 960 places.

    Attributes:
        probability: float64 (12, 80) of a hole.
        hole: bool (12, 80), the likelier of the two.
        unsure: bool (12, 80), neither is safe.
    """

    probability: Floats
    hole: Places
    unsure: Places


@lru_cache(maxsize=1)
def load_model() -> Model:
    """Return the model that comes with the package."""
    data = json.loads(files("deckwright.pictures").joinpath("data/model.json").read_text("utf-8"))
    weights = np.array([data["weights"][name] for name in FEATURES], np.float64)
    return Model(weights, float(data["constant"]), str(data["made"]))


def clipped_features(features: Floats) -> Floats:
    """Return features (..., 7) as the model takes them."""
    return np.asarray(np.clip(features, *_CLIP))


def decide(
    evidence: Evidence, *, light: bool, sharpness: float = 1.0, model: Model | None = None
) -> Decision:
    """Return what each place is, with its probability.

    Args:
        evidence: what was measured.
        light: whether the backing is lighter than the paper.
        sharpness: share of the step at the card's edges within half a millimetre.
        model: another than the one that comes with the package.
    """
    probability = (model or load_model()).probability(evidence.features)
    hole = probability >= 0.5  # noqa: PLR2004 - the likelier of the two
    between = (probability < HOLE_FROM) & (probability > PAPER_TO)
    like_hole = _like_hole(evidence) & _shows_backing(evidence, light=light)
    like_paper = _like_paper(evidence, light=light) & ~ghosts(evidence, sharpness)
    odd = np.where(hole, ~like_hole, ~like_paper)
    probability = np.where(odd, _tempered(probability), probability)
    return Decision(probability, probability >= 0.5, between | odd)  # noqa: PLR2004


def _tempered(probability: Floats) -> Floats:
    """Return probabilities of places that look like neither: the model knows less of them.

    Most are marks on paper. The coefficients make them agree with what such places were on
    simulated cards.
    """
    slope, shift = _ODD_ONES
    chance = np.clip(probability, 1e-9, 1 - 1e-9)
    score = np.log(chance / (1 - chance)) * slope + shift
    return np.asarray(1 / (1 + np.exp(-score)))


def _like_hole(evidence: Evidence) -> Places:
    """Return where all of a hole is backing, with paper on all sides of it."""
    core, low, high, shape, sides, ends, _ = np.moveaxis(evidence.features, -1, 0)
    rough = min(evidence.noise, 0.25)
    solid = (core > 0.6) & (low > 0.45 - rough) & (high < 3)  # noqa: PLR2004
    bounded = (sides > 0.35) & (ends > 0.35) & (shape > 0.4)  # noqa: PLR2004
    return np.asarray(solid & bounded)


def _shows_backing(evidence: Evidence, *, light: bool) -> Places:
    """Return where a place has the level that the holes of this card have.

    A place blackened with a pencil is less black than a dark backing seen through a hole, a drop of
    white fluid is not as white as a light one, and neither has the width and the shadows at its
    edges that one punch gives to all holes. The level is counted from the paper of the card, so
    that a stain about a hole does no harm.
    """
    core, low, _, _, aside, ends, _ = np.moveaxis(evidence.features, -1, 0)
    level = core + evidence.about
    sample = (low > 0.6) & (aside > 0.5) & (ends > 0.5)  # noqa: PLR2004
    sides = evidence.edges[..., :2].sum(axis=-1) - core
    tips = evidence.edges[..., 2:].sum(axis=-1) - core
    darkest, lightest = shaded(light=light)
    usual, spread = _usual(level[sample]) if sample.sum() >= _ENOUGH else (0.0, 0.0)
    if not darkest < usual < lightest + DEEPER or spread > MOST_SPREAD:
        backing = (level > darkest) & (level < lightest)
        return np.asarray(backing & _sized(sides) & _sized(tips))
    alike = [_alike(level, sample, _SLACK)]
    alike += [_alike(width, sample, _WIDTH_SLACK) for width in (sides, tips)]
    return np.asarray(np.all(alike, axis=0))


def _sized(width: Floats) -> Places:
    """Return where two opposite edges are where those of a hole are, whatever the blur."""
    least, most = _SIZED
    return np.asarray((width > least) & (width < most))


def shaded(*, light: bool) -> tuple[float, float]:
    """Return between which levels the backing may lie behind holes; beside the card it is 1.

    The card's own shadow darkens it there: on a light backing towards the paper.
    """
    return (0.5, 1.12) if light else (0.9, 1.25)


def _alike(values: Floats, sample: Places, least: float) -> Places:
    """Return where values (12, 80) are as in a sample of the places."""
    usual, spread = _usual(values[sample])
    slack = max(least, 6 * min(spread, 2 * least))
    return np.asarray(np.abs(values - usual) < slack)


def _usual(values: Floats) -> tuple[float, float]:
    """Return the median and the standard deviation of most of some values."""
    usual = float(np.median(values))
    return usual, spread(values - usual)


def _like_paper(evidence: Evidence, *, light: bool) -> Places:
    """Return where a place is paper with at most a stroke on it.

    Strokes of print or pencil leave most of a place as it was. A place that is all different from
    the paper about it, even if not in the way of a hole here, is not called paper.
    """
    core, low, high, *_, part = np.moveaxis(evidence.features, -1, 0)
    rough = min(evidence.noise, 0.25)
    blackened = (high < -0.5 - rough) & (core - evidence.rim < -0.35)  # noqa: PLR2004
    # part of it as the backing is: a hole that its chad half hides
    ajar = part > 0.55 + rough
    # or its middle only, by what lies across: an end as a hole has it, with paper beyond
    tip = (evidence.edges[..., 2:] > 0.45 + rough) & (evidence.rims[..., 2:] < 0.2)  # noqa: PLR2004
    ajar |= tip.any(axis=-1)
    if light:
        # nothing on paper is brighter than it: a hole in deep shadow has a bright rim left
        ajar |= high > 0.45 + 2 * rough
    return np.asarray((low < 0.35 + rough) & (core < 0.5) & ~blackened & ~ajar)  # noqa: PLR2004

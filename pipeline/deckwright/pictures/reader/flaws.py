"""What is wrong with a card as a whole: paper that is gone, a corner folded over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    COLUMN_PITCH,
    COLUMNS,
    CORNER_RADIUS,
    CUT_ALONG,
    CUT_DOWN,
    ROW_PITCH,
    ROWS,
    centres,
)
from deckwright.pictures.reader.across import lain_across
from deckwright.pictures.reader.backing import Sight, stretches
from deckwright.pictures.reader.measure import Evidence

Floats = NDArray[np.float64]

_STEP: Final = 0.5  # mm between probes along the edges
_DEPTH: Final = 0.8  # mm inside the edge
_LEAST_RUN: Final = 6  # probes in a row: 3 mm of edge that are gone
_STRIPE: Final = 0.7  # of an edge
_CORNER: Final = 3.0  # mm: a rounded corner takes less than this of an edge at the probes' depth
_BAND_GONE: Final = 0.75  # of the contrast: paper is gone
_BAND_DARK: Final = 0.5  # paper is gone or dark with dirt
_OTHER: Final = 0.15  # of the contrast: something else than paper
_MOST: Final = 0.8  # of the way across the card


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of an edge where paper is gone.

    Attributes:
        edge: 0 top, 1 right, 2 bottom, 3 left, as the card lies in the picture.
        first: where it begins in mm, from the left or the top.
        last: where it ends.
    """

    edge: int
    first: float
    last: float

    @property
    def length(self) -> float:
        """Return its length in mm."""
        return self.last - self.first


@dataclass(frozen=True, slots=True, eq=False)
class Flaws:
    """What is wrong.

    Attributes:
        names: "torn", "folded".
        hidden: bool (12, 80), places that cannot be trusted, as the card lies in the picture.
    """

    names: tuple[str, ...]
    hidden: NDArray[np.bool_]


def flaws_of(sight: Sight, evidence: Evidence, cut_corner: int | None) -> Flaws:
    """Return what is wrong with a card.

    Args:
        sight: the flat card.
        evidence: what was measured of it.
        cut_corner: the corner that is cut off (0 upper left, clockwise), None for none.
    """
    round_ones = _rounded(sight)
    gaps = [gap for gap in edge_gaps(sight) if not _is_usual(gap, cut_corner, round_ones)]
    hidden = _beside(evidence, _BAND_DARK) | _across(evidence) | lain_across(sight)
    # a mark or two is dirt
    names = ["torn"] if _beside(evidence, _BAND_GONE).sum() > 6 else []  # noqa: PLR2004
    for corner in range(4):
        legs = _legs(gaps, corner)
        if legs is None:
            continue
        points = _corner_grid(corner, legs)
        folded = _is_straight(sight, points, legs, corner)
        names.append("folded" if folded else "torn")
        hidden |= _flap(corner, legs)
    if any(not _at_corner(gap) for gap in gaps):
        names.append("torn")
    return Flaws(tuple(dict.fromkeys(names)), hidden)


def edge_gaps(sight: Sight) -> list[Gap]:
    """Return where paper is gone along the edges."""
    gaps: list[Gap] = []
    for edge in range(4):
        length = CARD_WIDTH if edge % 2 == 0 else CARD_HEIGHT
        along = np.arange(_STEP, length, _STEP)
        depth = np.full_like(along, _DEPTH)
        far = np.full_like(along, (CARD_HEIGHT if edge % 2 == 0 else CARD_WIDTH) - _DEPTH)
        across = far if edge in {1, 2} else depth
        places = np.stack([along, across] if edge % 2 == 0 else [across, along], axis=-1)
        gone = sight.gone(places)
        found = [
            Gap(edge, float(along[a]), float(along[b])) for a, b in stretches(gone, _LEAST_RUN)
        ]
        # no paper can be missing along a whole edge that was found by its paper: a printed stripe
        gaps += [gap for gap in found if gap.length < _STRIPE * length]
    return gaps


def _ends(gap: Gap) -> tuple[bool, bool]:
    """Return whether a gap reaches the beginning and the end of its edge."""
    length = CARD_WIDTH if gap.edge % 2 == 0 else CARD_HEIGHT
    return gap.first < _CORNER, gap.last > length - _CORNER


def _at_corner(gap: Gap) -> bool:
    return any(_ends(gap))


def _corner_edges(corner: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return (edge, end) of the long and the short edge at a corner; end 0 is the beginning."""
    return {
        0: ((0, 0), (3, 0)),
        1: ((0, 1), (1, 0)),
        2: ((2, 1), (1, 1)),
        3: ((2, 0), (3, 1)),
    }[corner]


def _rounded(sight: Sight) -> NDArray[np.bool_]:
    """Return bool (4), the corners that still have the paper that a rounded corner leaves."""
    near = np.array([[a, b] for a in (2.7, 3.1) for b in (2.7, 3.1)])
    far = np.array([CARD_WIDTH, CARD_HEIGHT])
    places = np.stack(
        [np.where(np.array(side), far - near, near) for side in ([0, 0], [1, 0], [1, 1], [0, 1])]
    )
    return np.asarray((~sight.gone(places)).mean(axis=1) > 0.5)  # noqa: PLR2004 - most


def _is_usual(gap: Gap, cut_corner: int | None, round_ones: NDArray[np.bool_]) -> bool:
    """Return whether a gap is what the corner cut takes, or a rounded corner."""
    length = CARD_WIDTH if gap.edge % 2 == 0 else CARD_HEIGHT
    for corner in range(4):
        for edge, end in _corner_edges(corner):
            if gap.edge != edge or not _ends(gap)[end]:
                continue
            reach = gap.last if end == 0 else length - gap.first
            cut = CUT_ALONG if edge % 2 == 0 else CUT_DOWN
            usual = cut if corner == cut_corner else CORNER_RADIUS
            if reach <= usual + 1.0 and (corner == cut_corner or round_ones[corner]):
                return True
    return False


def _legs(gaps: list[Gap], corner: int) -> tuple[float, float] | None:
    """Return how much is gone of the long and the short edge at a corner, in mm."""
    legs = [0.0, 0.0]
    for gap in gaps:
        for place, (edge, end) in enumerate(_corner_edges(corner)):
            length = CARD_WIDTH if edge % 2 == 0 else CARD_HEIGHT
            if gap.edge == edge and _ends(gap)[end]:
                legs[place] = gap.last if end == 0 else length - gap.first
    if not any(legs):
        return None
    return (legs[0] + _DEPTH, legs[1] + _DEPTH)


def _corner_grid(corner: int, legs: tuple[float, float]) -> Floats:
    """Return points (n, 2), in mm from a corner, about the piece that is gone."""
    del corner
    steps = np.linspace(0.05, 1.4, 24)
    along, down = np.meshgrid(steps * legs[0], steps * legs[1])
    return np.stack([along.ravel(), down.ravel()], axis=-1)


def _is_straight(sight: Sight, points: Floats, legs: tuple[float, float], corner: int) -> bool:
    """Return whether a corner is gone along a straight line, as a fold leaves it."""
    reach = points[:, 0] / legs[0] + points[:, 1] / legs[1]
    along = points[:, 0] if corner in {0, 3} else CARD_WIDTH - points[:, 0]
    down = points[:, 1] if corner in {0, 1} else CARD_HEIGHT - points[:, 1]
    inside = (points[:, 0] > _DEPTH) & (points[:, 1] > _DEPTH)
    places = np.stack([along, down], axis=-1)
    gone = sight.gone(places)
    missing = gone[inside & (reach < 0.88)]  # noqa: PLR2004 - clear of the line
    left = gone[inside & (reach > 1.12) & (reach < 1.35)]  # noqa: PLR2004
    return bool(missing.mean() > 0.9 and left.mean() < 0.15) if len(missing) else False  # noqa: PLR2004


def _flap(corner: int, legs: tuple[float, float]) -> NDArray[np.bool_]:
    """Return bool (12, 80), the places at a corner or under what was folded over."""
    places = centres()
    along = places[..., 0] if corner in {0, 3} else CARD_WIDTH - places[..., 0]
    down = places[..., 1] if corner in {0, 1} else CARD_HEIGHT - places[..., 1]
    long, short = max(legs[0], 1.0), max(legs[1], 1.0)
    normal = np.array([1 / long, 1 / short])
    size = float(np.hypot(*normal))
    distance = (along * normal[0] + down * normal[1] - 1) / size
    mirrored_along = along - 2 * distance * normal[0] / size
    mirrored_down = down - 2 * distance * normal[1] / size
    slack = max(COLUMN_PITCH, ROW_PITCH / 2)
    under = (mirrored_along > -slack) & (mirrored_down > -slack)
    return np.asarray((distance < slack) | under)


def _beside(evidence: Evidence, level: float) -> NDArray[np.bool_]:
    """Return bool (12, 80), places beside a stretch between rows that is like the backing.

    Above row 12 and below row 9 print runs; what is torn there shows at the edge.
    """
    gone = evidence.bands > level
    gone[[0, -1]] = False
    gone = gone | np.roll(gone, 1, axis=1) | np.roll(gone, -1, axis=1)
    return np.asarray(gone[:-1] | gone[1:])


def _across(evidence: Evidence) -> NDArray[np.bool_]:
    """Return bool (12, 80), places under a strip from edge to edge: a rubber band, tape, a pen."""
    other = np.abs(evidence.bands) > _OTHER
    hidden = np.zeros((ROWS, COLUMNS), np.bool_)
    columns = other[1:-1].mean(axis=0) > _MOST
    hidden |= columns | np.roll(columns, 1) | np.roll(columns, -1)
    rows = other.mean(axis=1) > _MOST
    rows[[0, -1]] = False
    return np.asarray(hidden | (rows[:-1] | rows[1:])[:, None])

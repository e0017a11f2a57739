"""What kind of card a picture shows, what is wrong with it, and whether a person must look."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.reader.contrast import Contrast
from deckwright.pictures.reader.decide import Decision
from deckwright.pictures.reader.faintplaces import something_behind, texture
from deckwright.pictures.reader.find import ASPECT, Outline
from deckwright.pictures.reader.flaws import Flaws
from deckwright.pictures.reader.lattice import Lattice
from deckwright.pictures.reader.measure import Evidence
from deckwright.pictures.reader.orient import Orientation

Floats = NDArray[np.float64]
Places = NDArray[np.bool_]

EDGES: Final = ("top", "right", "bottom", "left")

MOST_STRETCH: Final = 0.08
"""Off the shape of a card, of a camera held aslant by 20 degrees."""

_LEAST_SUPPORT: Final = 0.55
_MOST_NOISE: Final = 0.3  # of the contrast, pixel by pixel
_MOST_SHIFT: Final = (0.75, 1.2)  # mm: along, well below half a column
_MOST_SCATTER: Final = 0.3  # mm: punched at random within the limits of reading, 0.26
_MOST_LOOSE: Final = 1  # holes that may lie off: a piece of chad, a punch that slipped
_LEAST_LEVELS: Final = 8.0  # of 255, between paper and backing
_MOST_TEXTURE: Final = 0.025  # of the contrast: beyond, faint holes cannot be told from paper
_MOST_UNEVEN: Final = 0.18  # of the contrast, along the edges
_LEAST_STEP: Final = 0.46  # a blur of 0.4 mm; a hole is 1.4 mm wide
_ENOUGH: Final = 8  # holes that have a scatter to speak of
_LEAD: Final = 0.1  # of agreement, by which one count of the columns is better than another
_STRETCH_ALONE: Final = 0.008  # without holes that confirm it: 1.5 mm of the length
_BANNER_HOLES: Final = 60
_OUTSIDE: Final = 0.08  # of the card: more than a finger
_HOLLOW: Final = 0.01  # of the piece of paper: more than a cut corner takes
_LEAST_ODD: Final = 3  # columns; one or two may be mispunched
_MORE_ODD: Final = 4
_BESIDE: Final = 0.25  # of the card's size: a second card, or a piece of one


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be said of a card as a whole.

    Attributes:
        kind: "card", "blank" or "banner".
        damages: names of what is wrong.
        reasons: the same as parts of a sentence.
    """

    kind: str
    damages: tuple[str, ...]
    reasons: tuple[str, ...]

    @property
    def bad(self) -> bool:
        """Return whether a person must look at the whole card."""
        return bool(self.damages)

    def sentence(self, unsure: Places) -> str:
        """Return one sentence on the card and its unsure places (12, 80)."""
        columns = np.flatnonzero(unsure.any(axis=0)) + 1
        if self.reasons:
            return f"{'; '.join(self.reasons)}; please check the card"
        if len(columns):
            named = ", ".join(str(column) for column in columns[:8])
            more = f" and {len(columns) - 8} more" if len(columns) > 8 else ""  # noqa: PLR2004
            return f"please look at column{'s' if len(columns) > 1 else ''} {named}{more}"
        return {"card": "read", "blank": "read: no holes", "banner": "read: big letters"}[self.kind]


def whole(outline: Outline, size: tuple[int, ...]) -> tuple[Outline, tuple[str, ...]]:
    """Return an outline with the edge that lies outside of the picture put where it must be.

    Args:
        outline: as found, at most at the picture's border.
        size: (height, width) of the picture.

    Returns:
        The outline, and names of the edges that are cut off by the picture's border.
    """
    corners = outline.corners
    cut_off = outline.at_border > 0.4  # noqa: PLR2004 - share of the edge
    beyond = (corners < -1) | (corners > np.array([size[1], size[0]]) + 1)
    if not cut_off.any():
        return outline, ("corner",) if beyond.any() else ()
    names = tuple(name for name, cut in zip(EDGES, cut_off, strict=True) if cut)
    if cut_off.sum() > 1:
        return outline, names
    placed = _completed(outline, int(cut_off.argmax()))
    return replace(outline, corners=placed), names


def verdict_of(
    outline: Outline,
    clipped: tuple[str, ...],
    contrast: Contrast,
    lattice: Lattice,
    evidence: Evidence,
    way: Orientation,
    flaws: Flaws,
    decision: Decision,
    sharpness: float,
) -> Verdict:
    """Return what is to be said of a card."""
    faults: dict[str, str] = {}
    if clipped:
        faults["clipped"] = f"the picture cuts off the card at its {' and '.join(clipped)}"
    for name in flaws.names:
        faults[name] = _FLAWS[name]
    faults.update(_shape_faults(outline, lattice, clipped))
    if not way.certain:
        faults["print against it" if way.against_print else _ASKED[way.asked]] = way.doubt
    elif _lies_upside_down(decision.hole, way):
        faults["holes upside down"] = "its holes make characters only when it is turned upside down"
    if _several(outline):
        faults["several cards"] = "there is more than one card in the picture"
    if something_behind(evidence):
        faults["doubled up"] = "something like paper lies behind its holes"
    if _too_alike(contrast, evidence):
        faults["low contrast"] = "paper and backing are too alike for so much noise"
    if sharpness < _LEAST_STEP + evidence.noise / 2:
        faults["blurred"] = "the picture is too blurred for holes to be told from paper"
    return Verdict(_kind(decision), tuple(faults), tuple(faults.values()))


def _several(outline: Outline) -> bool:
    """Return whether paper is seen that one card cannot have: beside it, or below it."""
    # two that overlap have not the shape of one, and leave corners between them free
    notched = outline.hollow > _HOLLOW and abs(outline.stretch) > MOST_STRETCH
    return outline.beside > _BESIDE or outline.outside > _OUTSIDE or notched


def _too_alike(contrast: Contrast, evidence: Evidence) -> bool:
    """Return whether a hole in some shadow could pass for the unevenness of the paper."""
    rough = evidence.noise > _MOST_NOISE or texture(evidence) > _MOST_TEXTURE
    step = float(np.abs(contrast.step).max())
    return bool(rough or contrast.noise > _MOST_UNEVEN or step < _LEAST_LEVELS)


_ASKED: Final = {"": "which way up", "side": "which side", "cut": "which cut"}
_FLAWS = {
    "torn": "paper is missing; please check the card",
    "folded": "a corner is folded over",
}


def _lies_upside_down(holes: Places, way: Orientation) -> bool:
    """Return whether holes (12, 80) as seen make characters rather when the card is turned about.

    No character of a card code has two holes in rows 1 to 7; the letters S to X do once they lie
    upside down. Letters A to I have one there and one in row 9 then, which is rare: that counts
    where nothing else tells how the card lies.
    """
    rows = holes[::-1] if way.turn in {1, 3} else holes
    odd, turned = (_odd_columns(side, way) for side in (rows, rows[::-1]))
    return odd >= _LEAST_ODD and odd > _MORE_ODD * turned


def _odd_columns(holes: Places, way: Orientation) -> int:
    low = holes[3:10].sum(axis=0)
    odd = low > 1
    if way.as_it_lies:
        odd |= (low > 0) & holes[11]
    return int(odd.sum())


def _shape_faults(outline: Outline, lattice: Lattice, clipped: tuple[str, ...]) -> dict[str, str]:
    faults: dict[str, str] = {}
    weak = [
        name for name, seen in zip(EDGES, outline.supports, strict=True) if seen < _LEAST_SUPPORT
    ]
    if weak:
        faults["edge not seen"] = f"the {' and '.join(weak)} edge is not plain to see"
    stretch = abs(outline.stretch)
    limit = MOST_STRETCH if _confirmed(lattice) else _STRETCH_ALONE
    if stretch > limit and not clipped:
        faults["out of shape"] = f"its shape is {100 * outline.stretch:+.1f} % off that of a card"
    shift = np.abs(lattice.shift).reshape(-1, 2).max(axis=0)
    scattered = lattice.strong.sum() >= _ENOUGH and (lattice.scatter > _MOST_SCATTER).any()
    miscounted = lattice.strong.sum() >= _ENOUGH and lattice.rival > lattice.accord + _LEAD
    astray = miscounted or scattered or lattice.loose > _MOST_LOOSE
    if (shift > _MOST_SHIFT).any() or astray:
        faults["holes off their places"] = "the holes do not fit the places that the edges tell"
    return faults


def _confirmed(lattice: Lattice) -> bool:
    """Return whether holes over enough of the card tell that the columns are counted rightly."""
    return bool(lattice.strong.sum() >= _ENOUGH and lattice.accord > lattice.rival + _LEAD)


def _kind(decision: Decision) -> str:
    holes = decision.hole
    if not holes.any():
        return "blank"
    if holes.sum() < _BANNER_HOLES:
        return "card"
    wide = np.pad(holes, 1)
    upright = wide[:-2, 1:-1] | wide[2:, 1:-1]
    level = wide[1:-1, :-2] | wide[1:-1, 2:]
    # strokes of big letters are several holes wide both ways
    return "banner" if (holes & upright & level).sum() > 0.85 * holes.sum() else "card"


def _completed(outline: Outline, edge: int) -> Floats:
    """Return the corners with one edge moved to where a whole card would have it."""
    corners = outline.corners.copy()
    moves = {0: ((0, 3), (1, 2)), 1: ((1, 0), (2, 3)), 2: ((3, 0), (2, 1)), 3: ((0, 1), (3, 2))}
    length = outline.length / ASPECT if edge % 2 == 0 else outline.height * ASPECT
    for moving, fixed in moves[edge]:
        way = corners[moving] - corners[fixed]
        corners[moving] = corners[fixed] + way / np.hypot(*way) * length
    return corners

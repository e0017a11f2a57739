"""Which way a card lies: upright, upside down, back to front or both, told by corner and print.

The block of holes lies in the middle of the card, so its places look the same in all four ways, and
every hole pattern is a possible one in any of them. Printed digits tell all four apart. The cut
corner does where a person has said which corner of the front it is; else it leaves the side open:
the back of a card that is cut at the upper right looks like the front of one cut at the upper left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import (
    CARD_HEIGHT,
    CARD_WIDTH,
    CUT_ALONG,
    CUT_DOWN,
    Cut,
    CutSaid,
)
from deckwright.pictures.reader.sides import Print, print_doubts

Floats = NDArray[np.float64]

TURNS: Final = ("upright", "upside down", "back to front", "back to front and upside down")

# where the cut corner of the front comes to lie in each way (upper left, upper right, lower right,
# lower left), by the corner that is cut
_CORNER_OF: Final = {"upper left": (0, 2, 1, 3), "upper right": (1, 3, 0, 2)}
Backs = Literal["ask", "read", "front", "back"]
"""What is done with a card whose back is seen by its cut corner: leave it to a person; read it as a
back where no print speaks against that; or, as a person told, take it for a front with its cut at
the other corner, or for a back."""

_LEAST_MATCH: Final = 0.5
_LEAST_LEAD: Final = 0.25


Asked = Literal["", "side", "cut"]
"""What a person is asked, where that alone is in doubt: the side, or the corner that is cut."""

_UNSEEN: Final = "no corner cut tells which way up and which side it lies"


@dataclass(frozen=True, slots=True, eq=False)
class Orientation:
    """Which way a card lies.

    Attributes:
        turn: place in `TURNS`.
        certain: whether that is known.
        corner: of the picture, that is cut off (0 upper left, clockwise); None for none.
        doubt: why it is not certain.
        asked: what a person is asked.
        against_print: whether printed digits speak against it.
        as_it_lies: whether nothing but a person's word says so.
    """

    turn: int
    certain: bool
    corner: int | None = None
    doubt: str = _UNSEEN
    asked: Asked = ""
    against_print: bool = False
    as_it_lies: bool = False

    @property
    def is_back(self) -> bool:
        """Return whether the back of the card is seen."""
        return self.turn in {2, 3}

    def doubted(self, doubt: str, asked: Asked = "", *, by_print: bool = False) -> Orientation:
        """Return the same in doubt."""
        return replace(self, certain=False, doubt=doubt, asked=asked, against_print=by_print)


def orientation(
    matches: Floats, cut: CutSaid, backs: Backs, seen: Print, *, striped: bool
) -> Orientation:
    """Return which way a card lies.

    Args:
        matches: float64 (4), as `cut_matches` gives it.
        cut: which corner of the front is cut off. With "none" cards are taken as they lie.
        backs: what is done with a card whose back is seen by that corner.
        seen: the print on it.
        striped: whether a stripe runs along one of its long edges.
    """
    printed = seen.way
    if cut == "none":
        way = Orientation(0, certain=True, as_it_lies=printed is None)
        return _held_to_print(way, printed)
    corner = _cut_corner(matches)
    if corner is None:
        if printed is not None:
            return Orientation(printed, certain=True)
        likeliest = _CORNER_OF["upper left" if cut == "ask" else cut].index(int(matches.argmax()))
        return Orientation(likeliest, certain=False)
    if cut == "ask":
        way = _by_any_corner(corner, backs, printed)
    else:
        way = _by_that_corner(corner, cut, backs, seen, striped=striped)
    return _held_to_print(way, printed)


def _cut_corner(matches: Floats) -> int | None:
    """Return the corner of the picture that is cut off; None unless it is one alone, and plain."""
    best = int(matches.argmax())
    lead = float(matches[best] - np.delete(matches, best).max())
    return best if matches[best] >= _LEAST_MATCH and lead >= _LEAST_LEAD else None


def _by_that_corner(
    corner: int, cut: Cut, backs: Backs, seen: Print, *, striped: bool
) -> Orientation:
    """Return which way a card lies of which a person has said where its cut is."""
    way = Orientation(_CORNER_OF[cut].index(corner), certain=True, corner=corner)
    if not way.is_back or backs == "back" or way.turn == seen.way:
        return way
    if backs == "front":  # its cut is at the other corner
        return replace(way, turn=way.turn % 2)
    said = "by its cut corner its back is seen"
    if print_doubts(seen, low=way.turn == len(TURNS) - 1, striped=striped):
        return way.doubted(f"{said}, but there is print on it", "side")
    return way.doubted(said, "side") if backs == "ask" else way


def _by_any_corner(corner: int, backs: Backs, printed: int | None) -> Orientation:
    """Return which way a card lies of which nobody has said where its cut is."""
    possible = [corners.index(corner) for corners in _CORNER_OF.values()]
    told = {"front": min(possible), "back": max(possible)}.get(backs)
    if told is None and printed in possible:
        told = printed
    if told is None:
        way = Orientation(possible[0], certain=True, corner=corner)
        return way.doubted("nobody has said which corner of its front is cut", "cut")
    return Orientation(told, certain=True, corner=corner)


def _held_to_print(way: Orientation, printed: int | None) -> Orientation:
    """Return a way in doubt where printed digits tell another one."""
    if printed is None or printed == way.turn or way.asked == "side":
        return way
    said = f"the digits printed on it stand as on a card that lies {TURNS[printed]}"
    return way.doubted(said, by_print=True)


def cut_probes() -> tuple[Floats, Floats]:
    """Return points in mm, (4, n, 2), that a cut takes away, and (4, m, 2) just beyond the cut."""
    along, down = (
        grid.ravel() for grid in np.meshgrid(np.arange(0.4, 9, 0.4), np.arange(0.4, 14, 0.4))
    )
    reach = along / CUT_ALONG + down / CUT_DOWN
    gone = np.stack([along, down], axis=-1)[reach < 0.85]  # noqa: PLR2004 - clear of the cut itself
    beyond = (reach > 1.2) & (reach < 1.45)  # noqa: PLR2004
    left = np.stack([along, down], axis=-1)[beyond]
    return _mirrored(gone), _mirrored(left)


def cut_matches(gone: NDArray[np.bool_], beyond: NDArray[np.bool_]) -> Floats:
    """Return float64 (4): the share missing where a cut is less the share missing beyond it.

    Args:
        gone: bool (4, n), whether backing is seen at the first points of `cut_probes`.
        beyond: bool (4, m), the same at the second.
    """
    return np.asarray(gone.mean(axis=1) - beyond.mean(axis=1))


def _mirrored(points: Floats) -> Floats:
    """Return points about the upper left corner as they lie about all four, (4, n, 2)."""
    along, down = points[:, 0], points[:, 1]
    right, low = CARD_WIDTH - along, CARD_HEIGHT - down
    corners = [(along, down), (right, down), (right, low), (along, low)]
    return np.stack([np.stack(pair, axis=-1) for pair in corners])

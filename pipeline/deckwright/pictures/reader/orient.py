"""Which way a card lies: upright, upside down, back to front or both, told by its cut corner.

The block of holes lies in the middle of the card, so its places look the same in all four ways, and
every hole pattern is a possible one in any of them: the corner cut alone can tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH, CUT_ALONG, CUT_DOWN, Cut

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


@dataclass(frozen=True, slots=True, eq=False)
class Orientation:
    """Which way a card lies.

    Attributes:
        turn: place in `TURNS`.
        certain: whether one corner alone is cut off as a card's corner is.
        matches: float64 (4), how well each corner of the picture looks like the cut, up to 1.
        doubt: why it is not certain.
        side_asked: whether all that is in doubt is which of its sides is seen.
    """

    turn: int
    certain: bool
    matches: Floats
    doubt: str = "no corner cut tells which way up and which side it lies"
    side_asked: bool = False

    @property
    def is_back(self) -> bool:
        """Return whether the back of the card is seen."""
        return self.turn in {2, 3}

    def doubted(self, doubt: str) -> Orientation:
        """Return the same in doubt about the side; doubt: why, after "its back is seen"."""
        why = f"by its cut corner its back is seen{doubt}"
        return replace(self, certain=False, doubt=why, side_asked=True)

    def as_front(self) -> Orientation:
        """Return the way in which a card lies whose front is seen, with its cut where it is."""
        return replace(self, turn=self.turn % 2)


def orientation(matches: Floats, cut: Cut) -> Orientation:
    """Return which way a card lies, by how well its corners match the cut.

    Args:
        matches: float64 (4), as `cut_matches` gives it.
        cut: which corner of the front is cut off. With "none" cards are taken as they lie.
    """
    if cut == "none":
        return Orientation(0, certain=True, matches=matches)
    best = int(matches.argmax())
    lead = float(matches[best] - np.delete(matches, best).max())
    certain = bool(matches[best] >= _LEAST_MATCH and lead >= _LEAST_LEAD)
    return Orientation(_CORNER_OF[cut].index(best), certain, matches)


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

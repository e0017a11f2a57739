"""What is true of a picture: which cards are in it, what they hold, what of them is hidden."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .geometry import ROW_NAMES

GRADES = ("clean", "ordinary", "damaged", "bad")


@dataclass(frozen=True, slots=True)
class CardTruth:
    """One card in a picture."""

    grade: str
    """As drawn; `bad` where its holes are hardly lighter or darker than its paper."""
    text: str
    holes: NDArray[np.bool_]
    """12 rows by 80 columns of the card itself, whichever way it lies."""
    hidden: NDArray[np.bool_]
    """Places of the same shape that the picture does not show."""
    hidden_by: tuple[str, ...]
    side: str
    turned: float
    """Degrees clockwise from level, as the picture is looked at."""
    mirrored: bool
    """Whether the picture as a whole is a mirror image."""
    cut: str
    face: str
    interpreted: str
    paper: str
    marks: tuple[str, ...]
    contrast: float
    """How far what its holes show is from its paper, in levels of 255; nan without holes."""
    centres: NDArray[np.float64]
    """Where each place is in the picture, in pixels: rows, columns, x and y."""

    @property
    def hidden_columns(self) -> NDArray[np.bool_]:
        """Columns with a place that cannot be seen."""
        return self.hidden.any(axis=0)

    def patterns(self) -> tuple[str, ...]:
        """Return the holes of each column as `12-1`, and `-` for none."""
        return tuple(
            "-".join(name for name, hole in zip(ROW_NAMES, column, strict=True) if hole) or "-"
            for column in self.holes.T
        )


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawn picture as a file, and what is true of it."""

    name: str
    data: bytes
    seed: int
    number: int
    grade: str
    """`no card` where there is none."""
    device: str
    backing: str
    dpi: float
    chain: tuple[str, ...]
    """What was done to it after the lens, such as `jpeg 71`."""
    cards: tuple[CardTruth, ...]
    things: tuple[str, ...]
    """What lies in the picture besides cards, and how the light falls."""

    def line(self) -> dict[str, object]:
        """Return what is true as plain values for a list of pictures."""
        return {
            "picture": self.name,
            "grade": self.grade,
            "device": self.device,
            "backing": self.backing,
            "dpi": round(self.dpi),
            "chain": ", ".join(self.chain),
            "things": ", ".join(self.things),
            "cards": [
                {
                    "text": card.text,
                    "columns": " ".join(card.patterns()),
                    "hidden_columns": [
                        int(column) + 1 for column in np.flatnonzero(card.hidden_columns)
                    ],
                    "hidden_by": ", ".join(card.hidden_by),
                    "side": card.side,
                    "turned": round(card.turned, 1),
                    "mirrored": card.mirrored,
                    "cut": card.cut,
                    "face": card.face,
                    "interpreted": card.interpreted,
                    "paper": card.paper,
                    "contrast": None if np.isnan(card.contrast) else round(card.contrast),
                    "marks": ", ".join(card.marks),
                }
                for card in self.cards
            ],
        }

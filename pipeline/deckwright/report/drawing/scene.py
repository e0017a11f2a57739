"""A drawing as plain shapes in thousandths of an inch, to be written as SVG, PNG or PDF.

The first axis runs along the card, the second down the page. A colour is `#rrggbb`; `PAGE_INK` is
the colour of the page's own text, black on paper.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

Point: TypeAlias = tuple[float, float]
Run: TypeAlias = tuple[Point, ...]

MILLIMETRES: Final = 0.0254
"""Of a thousandth of an inch, exactly."""

PAGE_INK: Final = "currentColor"

HATCH: Final = 62
HATCH_WIDTH: Final = 13
"""Hatching: the lines along + down = a multiple of this, and their thickness."""


@dataclass(frozen=True, slots=True)
class Area:
    """Closed outlines, filled, hatched and edged as said; an empty colour is none."""

    outlines: tuple[Run, ...]
    fill: str = ""
    hatch: str = ""
    edge: str = ""
    edge_width: float = 0


@dataclass(frozen=True, slots=True)
class Bars:
    """Upright bars of one size. rows: height of the middles, and each middle along it."""

    rows: tuple[tuple[float, tuple[float, ...]], ...]
    width: float
    height: float
    ink: str


@dataclass(frozen=True, slots=True)
class Grid:
    """Bars at the places of a grid. first: middle of the upper left one."""

    first: Point
    columns: int
    rows: int
    pitch: Point
    width: float
    height: float
    ink: str

    def bars(self) -> Bars:
        """Return the same as bars."""
        along = tuple(self.first[0] + place * self.pitch[0] for place in range(self.columns))
        downs = (self.first[1] + place * self.pitch[1] for place in range(self.rows))
        return Bars(tuple((down, along) for down in downs), self.width, self.height, self.ink)


@dataclass(frozen=True, slots=True)
class Lines:
    """Broken lines; a ring where `radius` is given: around each point of the first run."""

    runs: tuple[Run, ...]
    ink: str
    width: float
    radius: float = 0


@dataclass(frozen=True, slots=True)
class Words:
    """Texts of one look. items: along, down of the base line, text. upwards: read from below."""

    items: tuple[tuple[float, float, str], ...]
    size: float
    ink: str
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    upwards: bool = False


@dataclass(frozen=True, slots=True)
class Letters:
    """Single characters on one base line, each over its own middle."""

    middles: tuple[float, ...]
    base: float
    letters: str
    size: float
    ink: str


@dataclass(frozen=True, slots=True)
class Group:
    """Shapes moved, and made smaller by `scale` before that. bounds: left, top, right, bottom."""

    shapes: tuple[Shape, ...]
    move: Point
    scale: float = 1
    bounds: tuple[float, float, float, float] | None = None


Shape: TypeAlias = Area | Bars | Grid | Lines | Words | Letters | Group


@dataclass(frozen=True, slots=True)
class Scene:
    """A drawing: its frame, its shapes, its name for those who do not see it.

    paper: colour of the ground where the drawing is a page; empty for a drawing that lies on one.
    """

    left: float
    top: float
    width: float
    height: float
    shapes: tuple[Shape, ...]
    title: str = ""
    paper: str = ""

    def placed(self, left: float, top: float, scale: float = 1) -> Group:
        """Return the shapes moved so that the frame's corner lies at this place."""
        bounds = (self.left, self.top, self.left + self.width, self.top + self.height)
        move = (left - self.left * scale, top - self.top * scale)
        return Group(self.shapes, move, scale, bounds)


def box(left: float, top: float, width: float, height: float) -> Run:
    """Return the outline of a rectangle."""
    right, bottom = left + width, top + height
    return (left, top), (right, top), (right, bottom), (left, bottom)


def hatching(outline: Run) -> Iterator[tuple[Point, Point]]:
    """Yield the lines that hatch a rectangle, as `box` gives it."""
    (left, top), _, (right, bottom), _ = outline
    step = int(-(-(left + top) // HATCH)) * HATCH
    while step < right + bottom:
        first = max(left, step - bottom)
        last = min(right, step - top)
        yield (first, step - first), (last, step - last)
        step += HATCH


def every(shapes: Sequence[Shape]) -> Iterator[Shape]:
    """Yield all shapes, those in groups too."""
    for shape in shapes:
        yield shape
        if isinstance(shape, Group):
            yield from every(shape.shapes)

"""Measure each of the 960 places against its own surroundings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH, COLUMN_PITCH, ROW_PITCH
from deckwright.pictures.reader.flatten import MARGIN, SCALE
from deckwright.pictures.reader.lattice import NEAR, Lattice, edge_places, search

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]
_Window = tuple[NDArray[np.int64], NDArray[np.int64]]

FEATURES: Final = ("core", "low", "high", "shape", "sides", "ends", "part")
"""What is measured of each place, in units of the local contrast; about 1 for a hole, 0 for paper.

core is the mean of the inside of a hole; low and high the level that a fifth of it lies below or
above; shape its mean less that of the rim about it; sides and ends how far the inside stands out
from what is left and right, above and below of it, and from paper; part the level that three
quarters of some third or half of it reach.
"""

# half widths and distances in pixels of the flat card, along and down
_CORE: Final = (3, 9)  # 0.9 by 2.4 mm of a hole of 1.4 by 3.2 mm
_SIDE: Final = (7, 10)  # paper from 0.8 to 1.3 mm aside: a neighbour begins at 1.5 mm
_END: Final = (17, 20)
_SEAM: Final = (5, 12)  # middle of the strips, 3 wide, where the edges of a hole are
_ALIKE: Final = 0.1  # of the contrast
_INK: Final = 0.15  # of the contrast: less than that is light and shade
_PRINT: Final = 0.25  # of the contrast: a printed line close above row 12


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The level of paper over a card: a plane and a bulge.

    Attributes:
        coefficients: float64 (6).
    """

    coefficients: Floats

    def at(self, places: Floats) -> Floats:
        """Return the level of paper at places (..., 2) in mm."""
        return np.asarray(_bulge(places) @ self.coefficients)

    def image(self, size: tuple[int, ...]) -> Layer:
        """Return float32 (h, w), the level of paper over the flat card."""
        c = self.coefficients.astype(np.float32)
        down = ((np.arange(size[0], dtype=np.float32) + 0.5) / SCALE - MARGIN) / CARD_HEIGHT * 2 - 1
        along = ((np.arange(size[1], dtype=np.float32) + 0.5) / SCALE - MARGIN) / CARD_WIDTH * 2 - 1
        rows = c[0] + c[2] * down + c[5] * down**2
        columns = c[1] * along + c[3] * along**2
        mixed = np.multiply.outer(c[4] * down, along)
        return np.asarray(mixed + columns + rows[:, None], np.float32)


def without_ink(scale: Layer, contrast: Floats) -> Layer:
    """Return a flat card on a light backing with all that is darker than its paper made paper.

    Else the bare paper between two printed digits would stand out as a hole does.
    """
    ground = paper_levels(scale, edge_places(), contrast)[1]
    return np.asarray(np.maximum(scale, ground.image(scale.shape) - np.float32(_INK)), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What was measured of the 960 places.

    Attributes:
        features: float64 (12, 80, 7), see `FEATURES`.
        rims: float64 (12, 80, 4), level left, right, above and below of a place, in the same units.
        edges: float64 (12, 80, 4), level of the strips where a hole has its edges, in that order.
        seams: float64 (12, 80, 4), how far three quarters of each of these strips stand out, all
            one way, from paper and from what is inside and outside of them.
        about: float64 (12, 80), paper about a place less the paper of the card, in the same units.
        offset: float64 (12, 80, 2), mm of the best centre from the lattice.
        ground: the paper of the card.
        bands: float64 (13, 80), level of the paper above, between and below the rows, less the
            paper of the card there, in units of the contrast.
        noise: standard deviation of paper from pixel to pixel, in units of the contrast.
    """

    features: Floats
    rims: Floats
    edges: Floats
    seams: Floats
    about: Floats
    offset: Floats
    ground: Ground
    bands: Floats
    noise: float

    @property
    def rim(self) -> Floats:
        """Return float64 (12, 80), level of the four strips about each place."""
        return np.asarray(self.rims.mean(axis=-1))

    def on_scale(self, before: Floats, after: Floats) -> Evidence:
        """Return the evidence when the local contrast (12, 80) is another than it was."""
        factor = before / after
        bands = self.bands * np.concatenate([factor[:1], factor])
        return replace(
            self,
            features=self.features * factor[..., None],
            rims=self.rims * factor[..., None],
            edges=self.edges * factor[..., None],
            seams=self.seams * factor[..., None],
            about=self.about * factor,
            bands=bands,
            noise=self.noise * float(np.median(factor)),
        )


def measure(scale: Layer, holes: Layer, lattice: Lattice, contrast: Floats) -> Evidence:
    """Return what is seen of each place.

    Args:
        scale: float32 (h, w), the flat card on the scale of its contrast.
        holes: float32 (h, w), its hole map.
        lattice: where the places are.
        contrast: float64 (12, 80), local contrast.
    """
    centre, level = search(holes, lattice.places, NEAR)
    about, ground, bands, noise = paper_levels(scale, lattice.places, contrast)
    paper = ground.at((lattice.places + 0.5) / SCALE - MARGIN) + about * contrast
    spots = np.round(centre).astype(np.int64)

    def seen(window: _Window) -> Layer:
        patch = _patch(scale, spots, window)
        patch -= paper[..., None].astype(np.float32)
        patch /= contrast[..., None].astype(np.float32)
        return patch

    levels = seen(_window((-_CORE[0], _CORE[0]), (-_CORE[1], _CORE[1])))
    fifth = levels.shape[-1] // 5
    ranked = np.partition(levels, (fifth, levels.shape[-1] - 1 - fifth), axis=-1)
    mean = _means(levels)
    strips = [seen(window) for window in _rims()]
    rims = np.stack([_means(strip) for strip in strips], axis=-1)
    lines = [seen(window) for window in _seams()]
    edges = np.stack([_means(line) for line in lines], axis=-1)
    seams = np.stack(
        [
            _line(line, mean, beside)
            for line, beside in zip(lines, np.moveaxis(rims, -1, 0), strict=True)
        ],
        axis=-1,
    )
    left, right = (_ridge(strip) for strip in strips[:2])
    above, below = rims[..., 2].copy(), rims[..., 3]
    above[0] = np.maximum(above[0] - _PRINT, np.minimum(above[0], 0))
    features = np.stack(
        [
            mean,
            ranked[..., fifth],
            ranked[..., -1 - fifth],
            level / contrast,
            mean - np.maximum(np.maximum(left, right), 0),
            mean - np.maximum(np.maximum(above, below), 0),
            _part(levels),
        ],
        axis=-1,
    )
    offset = (centre - lattice.places) / SCALE
    return Evidence(features, rims, edges, seams, about, offset, ground, bands, noise)


def _means(patches: Layer) -> Floats:
    return np.asarray(patches.mean(axis=-1), np.float64)


def _ridge(strip: Layer) -> Floats:
    """Return the lowest upright line (...) of a strip of `_rims` (..., n): paper between holes."""
    lines = strip.reshape(*strip.shape[:-1], -1, _SIDE[1] - _SIDE[0] + 1)
    return np.asarray(lines.mean(axis=-2).min(axis=-1), np.float64)


def _line(strip: Layer, inside: Floats, beside: Floats) -> Floats:
    """Return how far three quarters of a strip (..., 3 n) stand out from both of its sides."""
    along = strip.reshape(*inside.shape, -1, 3).mean(axis=-1)
    quarter = along.shape[-1] // 4
    ranked = np.partition(along, (quarter, along.shape[-1] - 1 - quarter), axis=-1)
    above = ranked[..., quarter] - np.maximum(np.maximum(inside, beside), 0)
    below = ranked[..., -1 - quarter] - np.minimum(np.minimum(inside, beside), 0)
    return np.asarray(np.maximum(above, 0) + np.minimum(below, 0))


def _part(levels: Layer) -> Floats:
    """Return the level that three quarters of one end or side of each place (..., n) reach."""
    down, over = 2 * _CORE[1] + 1, 2 * _CORE[0] + 1
    grid = levels.reshape(*levels.shape[:-1], down, over)
    third, half = down // 3, over // 2
    pieces = (
        grid[..., :third, :],
        grid[..., -third:, :],
        grid[..., :half],
        grid[..., -half:],
    )
    found = []
    for piece in pieces:
        flat = piece.reshape(*levels.shape[:-1], -1)
        place = flat.shape[-1] // 4
        found.append(np.partition(flat, place, axis=-1)[..., place])
    return np.asarray(np.max(found, axis=0), np.float64)


def paper_levels(
    scale: Layer, places: Floats, contrast: Floats
) -> tuple[Floats, Ground, Floats, float]:
    """Return what paper is like about each place (12, 80), on the card, in the bands (13, 80).

    The first and third are less the paper of the card, in units of the contrast; the last is the
    noise of paper in the same units.

    The bands above, between and below the rows hold no holes, wherever these are within their
    limits, so their medians are the paper, print and pencil apart.
    """
    step = np.array([0, ROW_PITCH * SCALE])
    bands = np.concatenate([places[:1] - step / 2, places + step / 2])
    half = (round(COLUMN_PITCH * SCALE * 0.75), round(1.0 * SCALE))
    spots = np.round(bands).astype(np.int64)
    window = _window((-half[0], half[0]), (-half[1], half[1]), 2)
    cells = np.sort(_patch(scale, spots, window), axis=-1)
    count = cells.shape[-1]
    level = cells[..., count // 2].astype(np.float64)
    spread = (cells[..., count * 3 // 4] - cells[..., count // 4]) / 1.349
    local = np.concatenate([contrast[:1], contrast])
    where = (bands + 0.5) / SCALE - MARGIN
    ground = _ground(where, level)
    apart = (level - ground.at(where)) / local
    return _about(_smooth(apart)), ground, apart, float(np.median(spread[2:-1] / local[2:-1]))


def _rims() -> list[_Window]:
    near, far = _SIDE
    down = (-_CORE[1], _CORE[1])
    over = (-_CORE[0], _CORE[0])
    return [
        _window((-far, -near), down),
        _window((near, far), down),
        _window(over, (-_END[1], -_END[0])),
        _window(over, (_END[0], _END[1])),
    ]


def _seams() -> list[_Window]:
    """Return windows of strips three wide, the three beside each other in order."""
    across = np.array([-1, 0, 1])
    found = []
    for middle, half, level in (
        (-_SEAM[0], _CORE[1], False),
        (_SEAM[0], _CORE[1], False),
        (-_SEAM[1], _CORE[0], True),
        (_SEAM[1], _CORE[0], True),
    ):
        along = np.repeat(np.arange(-half, half + 1), 3)
        wide = np.tile(middle + across, 2 * half + 1)
        found.append((along, wide) if level else (wide, along))
    return found


def _window(along: tuple[int, int], down: tuple[int, int], step: int = 1) -> _Window:
    grid = np.meshgrid(
        np.arange(along[0], along[1] + 1, step), np.arange(down[0], down[1] + 1, step)
    )
    return grid[0].ravel().astype(np.int64), grid[1].ravel().astype(np.int64)


def _patch(scale: Layer, spots: NDArray[np.int64], window: _Window) -> Layer:
    """Return float32 (..., n), the pixels of a window about each spot (..., 2)."""
    along, down = window
    reach = (int(np.abs(along).max()), int(np.abs(down).max()))
    x = np.clip(spots[..., 0], reach[0], scale.shape[1] - 1 - reach[0])
    y = np.clip(spots[..., 1], reach[1], scale.shape[0] - 1 - reach[1])
    places = (y * scale.shape[1] + x)[..., None] + (down * scale.shape[1] + along)
    return np.asarray(np.take(scale.reshape(-1), places), np.float32)


def _about(apart: Floats) -> Floats:
    """Return how far the paper about each place (12, 80) departs from that of the card.

    Between a band above and one below that differ, the one more like the card's paper counts. The
    bands at the edges are left out: print runs there.
    """
    above, below = apart[:-1].copy(), apart[1:].copy()
    above[0], below[-1] = below[0], above[-1]
    lesser = np.where(np.abs(above) < np.abs(below), above, below)
    return np.where(np.abs(above - below) > _ALIKE, lesser, (above + below) / 2)


def _smooth(level: Floats) -> Floats:
    """Return each level as the median of three neighbours in its band."""
    wide = np.pad(level, ((0, 0), (1, 1)), mode="edge")
    return np.median(np.stack([wide[:, :-2], wide[:, 1:-1], wide[:, 2:]]), axis=0)


def _ground(places: Floats, level: Floats) -> Ground:
    """Return a plane and bulge through the levels of all bands, robustly."""
    basis = _bulge(places).reshape(-1, 6)
    values = level.reshape(-1)
    kept = np.ones(len(values), np.bool_)
    found: Floats = np.zeros(6)
    for _ in range(3):
        found = np.asarray(np.linalg.lstsq(basis[kept], values[kept], rcond=None)[0], np.float64)
        apart = np.abs(values - basis @ found)
        kept = apart <= 3 * max(0.02, float(np.median(apart)))
    return Ground(found)


def _bulge(places: Floats) -> Floats:
    u = places[..., 0] / CARD_WIDTH * 2 - 1
    v = places[..., 1] / CARD_HEIGHT * 2 - 1
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)

"""Find the card in a picture: its four edges as curves, seen against whatever lies behind it.

The backing is modelled from the frame of the picture (a smooth field in the logarithm of light, so
that uneven light does no harm); what departs from it in the middle is paper. The work is done on a
reduced picture: an edge is placed to a tenth of one of its pixels, which is enough.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import CARD_HEIGHT, CARD_WIDTH, INCH
from deckwright.pictures.reader.curves import fit_curve, meeting, robust_field

Floats = NDArray[np.float64]
Layer = NDArray[np.float32]

REDUCED_SIDE: Final = 900
"""Longest side in pixels, roughly, of the picture in which the card is looked for."""

ASPECT: Final = CARD_WIDTH / CARD_HEIGHT
ASPECT_SLACK: Final = 0.012
"""Relative departure of length to height beyond which an outline is no whole card.

Less than half a column of 2.2098 mm in 187.325 mm is 0.006; the sizes of stock, of scanners' two
axes and of slight bow share the rest, and the lattice of holes decides within it.
"""

_LEAST_SHARE: Final = 0.12
_LEAST_SUPPORT: Final = 0.6
_LEAST_SEEN: Final = 0.1  # of an edge, that tells its course better than the outline of the paper
_GROWN: Final = 1.02  # times an outline, so that its own edge is not counted as beyond it
_BORDER: Final = 2  # pixels of the reduced picture: nearer than that is the picture's border
_REACH: Final = 5  # pixels of the reduced picture to each side of an edge


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One edge: a curve in a frame turned with the card.

    Attributes:
        coefficients: float64 (3), offset = c0 + c1 t + c2 t^2, t from -1 to 1 over the edge's run.
        first: where t is -1, in pixels of the turned frame.
        last: where t is 1.
        support: share of the edge's run that lies on the curve.
        at_border: share of the edge's run that lies on the picture's own border.
    """

    coefficients: Floats
    first: float
    last: float
    support: float
    at_border: float

    def __call__(self, along: Floats | float) -> Floats:
        """Return the offsets of the curve at places along its run."""
        step = (np.asarray(along, np.float64) - self.first) / (self.last - self.first) * 2 - 1
        return np.asarray(np.polynomial.polynomial.polyval(step, self.coefficients))


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Where the card lies, in pixels of the full picture.

    Attributes:
        corners: float64 (4, 2), upper left, upper right, lower right, lower left as the long edges
            lie level; sharp, as if no corner were cut.
        bows: float64 (4, 2), how far the middle of the top, right, bottom, left edge departs from
            its chord.
        supports: float64 (4), share of each edge that was seen.
        at_border: float64 (4), share of each edge that is the picture's border.
        contrast: how far paper stands out from the backing, in standard deviations of the backing.
        beside: size of the next largest piece of paper, as a share of this one.
        outside: paper that hangs together with the card but lies beyond its outline, as a share.
        hollow: share of the piece of paper's convex hull that is none.
    """

    corners: Floats
    bows: Floats
    supports: Floats
    at_border: Floats
    contrast: float
    beside: float = 0.0
    outside: float = 0.0
    hollow: float = 0.0

    @property
    def skew(self) -> float:
        """Return how far the card's length is turned from level, in degrees."""
        run = self.corners[1] - self.corners[0] + self.corners[2] - self.corners[3]
        return float(np.degrees(np.arctan2(run[1], run[0])))

    @property
    def length(self) -> float:
        """Return the mean length of the long edges in pixels."""
        return float(_span(self.corners, 0, 1) + _span(self.corners, 3, 2)) / 2

    @property
    def height(self) -> float:
        """Return the mean length of the short edges in pixels."""
        return float(_span(self.corners, 0, 3) + _span(self.corners, 1, 2)) / 2

    @property
    def ppi(self) -> float:
        """Return pixels per inch, by the card's length."""
        return self.length / CARD_WIDTH * INCH

    @property
    def stretch(self) -> float:
        """Return length to height, relative to that of a card, less 1."""
        return self.length / self.height / ASPECT - 1


@dataclass(frozen=True, slots=True, eq=False)
class NoOutline:
    """No card was found; `why` says what was seen instead."""

    why: str


def find_card(image: NDArray[np.uint8]) -> Outline | NoOutline:
    """Return the outline of the card in a picture, uint8 (h, w) or (h, w, 3)."""
    factor = max(1, round(max(image.shape[:2]) / REDUCED_SIDE))
    small = _reduced(image, factor)
    standing = _standing(small)
    found = _found(standing.paper, factor, standing.contrast)
    if _plain(found):
        return found
    # a stripe printed along an edge may be as far from the paper as from the backing
    wider = _found(standing.anything, factor, standing.contrast)
    return wider if _plain(wider) else found


def _plain(outline: Outline | NoOutline) -> bool:
    """Return whether an outline has the shape of a card and all its edges were seen."""
    if isinstance(outline, NoOutline) or abs(outline.stretch) > ASPECT_SLACK:
        return False
    return bool(outline.supports.min() > _LEAST_SUPPORT)


def _found(paper: Layer, factor: int, contrast: float) -> Outline | NoOutline:
    blob, beside = _largest(paper)
    if blob is None:
        return NoOutline("nothing in the picture stands out from its border")
    outline = _outline(paper, blob, factor, contrast)
    if isinstance(outline, NoOutline):
        return outline
    outside, hollow = _overhang(blob, outline.corners / factor - 0.5)
    return replace(outline, beside=beside, outside=outside, hollow=hollow)


def _overhang(blob: NDArray[np.int32], corners: Floats) -> tuple[float, float]:
    """Return `Outline.outside` and `Outline.hollow` of a piece of paper (n, 2)."""
    middle = corners.mean(axis=0)
    grown = np.round(middle + (corners - middle) * _GROWN).astype(np.int32)
    low = np.minimum(blob.min(axis=0), grown.min(axis=0))
    size = np.maximum(blob.max(axis=0), grown.max(axis=0)) - low + 1
    card, piece = (np.zeros(size[::-1], np.uint8) for _ in range(2))
    cv2.fillPoly(card, [grown - low], [1])
    cv2.fillPoly(piece, [blob - low], [1])
    outside = float((piece & (1 - card)).sum() / max(1, card.sum()))
    hull = cv2.contourArea(cv2.convexHull(blob))
    return outside, float(1 - cv2.contourArea(blob) / max(1.0, hull))


def framed(image: NDArray[np.uint8]) -> Outline:
    """Return the outline of a card that fills the picture to its border."""
    height, width = image.shape[:2]
    box = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    if height > width:
        box = np.roll(box, 1, axis=0)
    return Outline(box, np.zeros((4, 2)), np.ones(4), np.ones(4), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Standing:
    """What stands out from the backing in a reduced picture.

    Attributes:
        apart: float32 (h, w, 3), difference from the backing in the logarithm of light.
        step: float64 (3), the same of paper.
        weight: float64 (3), by which colours make the map of paper.
        contrast: how far paper stands out, in standard deviations of the backing.
    """

    apart: Layer
    step: Floats
    weight: Floats
    contrast: float

    @property
    def paper(self) -> Layer:
        """Return float32 (h, w), about 0 on the backing and 1 on paper, and on print beyond it."""
        return _softened(np.minimum(self.apart @ self.weight.astype(np.float32), 1))

    @property
    def anything(self) -> Layer:
        """Return float32 (h, w), 0.5 and more where half as far from the backing as paper is."""
        most = float(np.abs(self.step).max()) or 1.0
        reach = np.abs(self.apart).max(axis=2) * np.float32(2 / most)
        return _softened(np.minimum(reach, 1))


def _standing(small: NDArray[np.uint8]) -> _Standing:
    calm = cv2.medianBlur(small, 3)  # specks of noise would count for much in logarithms
    light = np.log(calm.astype(np.float32) + np.float32(16))
    height, width = light.shape[:2]
    frame = _frame(height, width)
    field, spread = robust_field(light, frame)
    apart = light - field
    middle = apart[height // 5 : -height // 5, width // 8 : -width // 8].reshape(-1, 3)[::7]
    size = np.abs(middle).max(axis=1)
    least = max(0.02, 5 * float(np.sqrt(np.diag(spread).max())))
    standing = middle[size > least]
    if len(standing) < len(middle) // 6:
        return _Standing(np.zeros_like(apart), np.zeros(3), np.zeros(3), 0.0)
    step = np.median(standing, axis=0)
    # uneven light moves all colours together, so differences of colour count for more; but where
    # paper stands out anyway there is nothing to gain from setting colour against colour
    floor = 0.01**2 + 0.05**2 * float(step @ step)
    blame = spread + 0.03**2 * np.ones((3, 3)) + floor * np.eye(3)
    weight = np.linalg.solve(blame, step)
    return _Standing(apart, step, weight / (step @ weight), float(np.sqrt(step @ weight)))


def _softened(scores: Layer) -> Layer:
    return np.asarray(cv2.GaussianBlur(scores, (3, 3), 0), np.float32)


def _reduced(image: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Return a picture of a whole fraction of the size: much faster to make than any other."""
    if factor > 1:
        size = (image.shape[1] // factor, image.shape[0] // factor)
        trimmed = image[: size[1] * factor, : size[0] * factor]
        image = np.asarray(cv2.resize(trimmed, size, interpolation=cv2.INTER_AREA), np.uint8)
    if image.ndim == 3:  # noqa: PLR2004
        return image
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_GRAY2BGR), np.uint8)


def _frame(height: int, width: int) -> NDArray[np.bool_]:
    frame = np.ones((height, width), np.bool_)
    rim = max(2, min(height, width) // 60)
    frame[rim:-rim, rim:-rim] = False
    return frame


def _largest(paper: Layer) -> tuple[NDArray[np.int32] | None, float]:
    """Return the outer contour (n, 2) of the largest piece of paper, None if there is none.

    The second is the size of the next largest, as a share of it.
    """
    mask = (paper > np.float32(0.5)).astype(np.uint8)
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    sizes = np.array([cv2.contourArea(contour) for contour in contours])
    if not len(sizes) or sizes.max() < _LEAST_SHARE * paper.size:
        return None, 0.0
    best = contours[int(sizes.argmax())]
    beside = float(np.sort(sizes)[-2] / sizes.max()) if len(sizes) > 1 else 0.0
    return np.asarray(best[:, 0, :], np.int32), beside


def _outline(
    paper: Layer, blob: NDArray[np.int32], factor: int, contrast: float
) -> Outline | NoOutline:
    turn = _turn_of(blob)
    sides = _sides(paper, blob.astype(np.float64) @ turn.T, turn)
    if sides is None:
        return NoOutline("the largest thing in the picture has no four edges")
    supports = np.array([side.support for side in sides])
    if (supports >= _LEAST_SUPPORT).sum() < 3:  # noqa: PLR2004 - three straight edges tell a card
        return NoOutline("the largest thing in the picture has no straight edges")
    top, right, bottom, left = sides
    corners = np.array(
        [meeting(top, left), meeting(top, right), meeting(bottom, right), meeting(bottom, left)]
    )
    bows = _bows(sides, corners)
    at_border = np.array([side.at_border for side in sides])
    # pixel k of the reduced picture covers factor * k to factor * (k + 1) of the full one
    return Outline(
        (corners @ turn + 0.5) * factor, bows @ turn * factor, supports, at_border, contrast
    )


def _turn_of(blob: NDArray[np.int32]) -> Floats:
    """Return the rotation (2, 2) that lays the long edges of a piece of paper level."""
    _, size, angle = cv2.minAreaRect(blob)
    if size[0] < size[1]:
        angle += 90
    angle = (angle + 90) % 180 - 90
    if angle <= -89:  # noqa: PLR2004 - upright pictures are turned one way, whatever the noise
        angle += 180
    rad = np.radians(angle)
    return np.array([[np.cos(rad), np.sin(rad)], [-np.sin(rad), np.cos(rad)]])


def _sides(paper: Layer, points: Floats, turn: Floats) -> tuple[Side, ...] | None:
    """Return the top, right, bottom and left edge in the turned frame."""
    low, high = points.min(axis=0), points.max(axis=0)
    if min(high - low) < 40:  # noqa: PLR2004 - pixels: too small to place an edge in
        return None
    sides = []
    for axis, outer in ((0, -1), (1, 1), (0, 1), (1, -1)):
        along, offset = points[:, axis], points[:, 1 - axis]
        reach = high[axis] - low[axis]
        skip = (0.09, 0.2)[axis] * reach
        runs, edge = _profile(along, offset, low[axis] + skip, high[axis] - skip, outer)
        first, last = float(runs[0]), float(runs[-1])
        steps = (runs - first) / (last - first) * 2 - 1
        rough = fit_curve(steps, edge, scale=1.0)
        curve = np.asarray(np.polynomial.polynomial.polyval(steps, rough), np.float64)
        shift, seen = _refined(paper, runs, curve, axis, outer, turn)
        enough = seen.mean() > _LEAST_SEEN
        fine = fit_curve(steps[seen], curve[seen] + shift[seen], scale=0.4) if enough else rough
        onto = np.asarray(np.polynomial.polynomial.polyval(steps, fine), np.float64)
        support = float((np.abs(edge - onto) < 1.8).mean())  # noqa: PLR2004 - pixels
        border = _at_border(paper, runs, onto, axis, turn)
        sides.append(Side(fine, first, last, support, border))
    return tuple(sides)


def _profile(
    along: Floats, offset: Floats, first: float, last: float, outer: int
) -> tuple[Floats, Floats]:
    """Return places along an edge and the outermost paper at each."""
    count = max(8, int((last - first) / 2))
    bins = np.floor((along - first) / (last - first) * count).astype(int)
    inside = (bins >= 0) & (bins < count)
    far = np.full(count, -np.inf)
    np.maximum.at(far, bins[inside], offset[inside] * outer)
    runs = first + (np.arange(count) + 0.5) * (last - first) / count
    seen = np.isfinite(far)
    return runs[seen], far[seen] * outer


def _refined(
    paper: Layer, runs: Floats, curve: Floats, axis: int, outer: int, turn: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return how far the step from paper to backing lies from a curve, and where one was seen."""
    depth = np.linspace(-_REACH, _REACH, 4 * _REACH + 1)
    across = curve[:, None] + outer * depth
    alongs = np.broadcast_to(runs[:, None], across.shape)
    turned = np.stack([alongs, across] if axis == 0 else [across, alongs], axis=-1)
    places = (turned.reshape(-1, 2) @ turn).astype(np.float32).reshape(*across.shape, 2)
    levels = np.asarray(
        cv2.remap(paper, places[..., 0], places[..., 1], cv2.INTER_LINEAR,
                  borderMode=cv2.BORDER_REPLICATE),
        np.float64,
    )  # fmt: skip
    inside, outside = levels[:, :5].mean(axis=1), levels[:, -5:].mean(axis=1)
    half = (inside + outside) / 2
    above = levels > half[:, None]
    # from outside inwards: the first sample that is paper
    hit = above.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
    ahead = np.minimum(hit + 1, above.shape[1] - 1)
    row = np.arange(len(levels))
    drop = levels[row, hit] - levels[row, ahead]
    part = np.where(drop > 0, (levels[row, hit] - half) / np.where(drop > 0, drop, 1), 0)
    shift = outer * (depth[hit] + part * (depth[1] - depth[0]))
    seen = (inside - outside > 0.3) & (hit > 0) & (ahead > hit)  # noqa: PLR2004
    return shift, seen


def _at_border(paper: Layer, runs: Floats, curve: Floats, axis: int, turn: Floats) -> float:
    turned = np.stack([runs, curve] if axis == 0 else [curve, runs], axis=-1)
    places = turned @ turn
    size = np.array([paper.shape[1], paper.shape[0]])
    near = (places < _BORDER) | (places > size - 1 - _BORDER)
    return float(near.any(axis=1).mean())


def _bows(sides: tuple[Side, ...], corners: Floats) -> Floats:
    """Return how far the middle of each edge departs from its chord, (4, 2) in the turned frame."""
    bows = np.zeros((4, 2))
    for place, (start, end) in enumerate(((0, 1), (1, 2), (3, 2), (0, 3))):
        axis = place % 2
        chord = (corners[start] + corners[end]) / 2
        bows[place, 1 - axis] = float(sides[place](chord[axis])) - chord[1 - axis]
    return bows


def _span(corners: Floats, start: int, end: int) -> float:
    return float(np.hypot(*(corners[end] - corners[start])))

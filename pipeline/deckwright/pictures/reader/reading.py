"""Read a card from its picture: the holes, how sure each is, and what is wrong with the card."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.holes import gather_rows
from deckwright.pictures.card.geometry import COLUMNS, HOLE_HEIGHT, INCH, ROWS, CutSaid, centres
from deckwright.pictures.reader.backing import other_tint, sight_of
from deckwright.pictures.reader.contrast import Contrast, edge_contrast, projected
from deckwright.pictures.reader.covers import covered
from deckwright.pictures.reader.curves import spread
from deckwright.pictures.reader.decide import DEEPER, MOST_SPREAD, Decision, decide, shaded
from deckwright.pictures.reader.find import NoOutline, Outline, find_card, framed
from deckwright.pictures.reader.flatten import SCALE, Mapping, flat_card, mapping_of, reduced_for
from deckwright.pictures.reader.flaws import Flaws, flaws_of
from deckwright.pictures.reader.lattice import Lattice, fit_lattice, hole_map
from deckwright.pictures.reader.measure import Evidence, measure, without_ink
from deckwright.pictures.reader.orient import (
    TURNS,
    Backs,
    Orientation,
    cut_matches,
    cut_probes,
    orientation,
)
from deckwright.pictures.reader.sharpness import edge_step
from deckwright.pictures.reader.sides import print_on
from deckwright.pictures.reader.unmargined import backing_inside
from deckwright.pictures.reader.verdict import MOST_STRETCH, Verdict, verdict_of, whole

_ENOUGH: Final = 8  # plain holes that can speak for the card
_LEAST_CONTRAST: Final = 0.4  # of what is usual on the card

_UNCOUNTED: Final = {"several cards", "out of shape", "edge not seen", "holes off their places"}

Picture = NDArray[np.uint8]
_Stock = tuple[CutSaid, Backs]
Places = NDArray[np.bool_]
Scalar = TypeVar("Scalar", bound=np.generic)

LEAST_SIDE: Final = 200
"""Pixels: a picture with a shorter long side cannot hold a readable card."""


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """How a picture came out, for the reading report.

    Attributes:
        kind: "card", "blank", "banner" or "not a card".
        turn: "upright", "upside down", "back to front" or "back to front and upside down".
        turn_certain: whether the cut corner told so.
        skew: degrees that the card's length is turned from level.
        ppi: pixels per inch, by the card's length.
        stretch: length to height against a card's, less 1.
        backing: "light", "dark" or "" if it was not seen.
        contrast: levels of 255 between paper and backing.
        noise: standard deviation of paper, as a share of the contrast.
        sharpness: share of the step at the edges that falls within half a millimetre.
        slipped: mean shift of the holes from their places by the edges, mm along and down.
        scatter: standard deviation of the holes about their lattice, mm along and down.
        holes: how many places were decided as holes.
        damages: what is wrong: "torn", "folded", "clipped", "edge not seen", "out of shape",
            "low contrast", "blurred", "which way up", "which side", "which cut", "print against
            it", "holes upside down", "holes off their places", "doubled up", "several cards", "not
            a card".
    """

    kind: str = "not a card"
    turn: str = TURNS[0]
    turn_certain: bool = False
    skew: float = 0.0
    ppi: float = 0.0
    stretch: float = 0.0
    backing: str = ""
    contrast: float = 0.0
    noise: float = 0.0
    sharpness: float = 0.0
    slipped: tuple[float, float] = (0.0, 0.0)
    scatter: tuple[float, float] = (0.0, 0.0)
    holes: int = 0
    damages: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CardReading:
    """What was read of one picture; all places as on the front of an upright card.

    Attributes:
        patterns: uint16 (80), the likelier reading of each column; row 12 is 0x800. Only columns
            without an unsure place, on a card that is not bad, are decided.
        probability: float32 (12, 80) of a hole, rows from 12 down to 9.
        unsure: bool (12, 80), places that a person must look at.
        bad: whether the card as a whole must be looked at.
        facts: how the picture came out.
        why: one sentence.
        mapping: from mm on the front to pixels of the picture; None if no card was found.
    """

    patterns: NDArray[np.uint16]
    probability: NDArray[np.float32]
    unsure: Places
    bad: bool
    facts: PictureFacts
    why: str
    mapping: Mapping | None = None

    @property
    def unsure_columns(self) -> Places:
        """Return bool (80), the columns with an unsure place."""
        return np.asarray(self.unsure.any(axis=0))

    @property
    def decided(self) -> Places:
        """Return bool (80), the columns that need no person."""
        return np.asarray(~self.unsure_columns & (not self.bad))

    @property
    def side_asked(self) -> bool:
        """Return whether all that keeps a card from being read is which of its sides is seen."""
        return self.facts.damages in {("which side",), ("which cut",)}

    @property
    def counted(self) -> bool:
        """Return whether the outline is that of one whole card, so that columns can be counted."""
        whole_card = not _UNCOUNTED & set(self.facts.damages)
        return self.mapping is not None and whole_card and abs(self.facts.stretch) < MOST_STRETCH

    @property
    def needs_person(self) -> bool:
        """Return whether anything of the card must be looked at."""
        return bool(self.bad or self.unsure.any())


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What one look at the flat card gave, places as the card lies in the picture."""

    contrast: Contrast
    lattice: Lattice
    evidence: Evidence
    orientation: Orientation
    flaws: Flaws
    sharpness: float


def read_card(image: Picture, *, cut: CutSaid = "upper left", backs: Backs = "ask") -> CardReading:
    """Return the reading of a picture of one card.

    Args:
        image: uint8 (h, w) or (h, w, 3), red green blue or blue green red alike.
        cut: the corner of the front that is cut off on this stock; "none" takes cards as they lie,
            "ask" reads only those of which print tells how they lie.
        backs: what is done with a card whose back is seen by that corner.

    Raises:
        ValueError: the array is not a picture of 8 bits a colour.
    """
    if image.dtype != np.uint8 or image.ndim not in {2, 3} or image.shape[2:] not in {(), (3,)}:
        msg = f"an array of {image.dtype} {image.shape} is not a picture of 8 bits a colour"
        raise ValueError(msg)
    if max(image.shape[:2]) < LEAST_SIDE or min(image.shape[:2]) < LEAST_SIDE // 3:
        return _no_card("the picture is too small to hold a readable card")
    outline = find_card(image)
    if isinstance(outline, NoOutline):
        return _unmargined(image, outline.why, (cut, backs))
    outline, clipped = whole(outline, image.shape)
    return _read(image, outline, clipped, (cut, backs))


def places_seen(image: Picture, *, cut: CutSaid = "upper left") -> NDArray[np.float64] | None:
    """Return float64 (12, 80, 7), what is measured of each place on an upright card.

    See `measure.FEATURES`. None if no card with a plain edge is found. The model is fitted to this.
    """
    outline = find_card(image)
    if isinstance(outline, NoOutline):
        return None
    outline, _ = whole(outline, image.shape)
    flat, _ = _laid_flat(image, outline)
    contrast = edge_contrast(flat, SCALE)
    if contrast is None:
        return None
    seen = _look(flat, contrast, (cut, "read"))
    return _upright(seen.evidence.features, seen.orientation.turn)


def _unmargined(image: Picture, why: str, stock: _Stock) -> CardReading:
    """Read a picture that a card may fill to its border."""
    outline = framed(image)
    if abs(outline.stretch) > 0.03:  # noqa: PLR2004 - of the shape of a card
        return _no_card(why)
    flat, mapping = _laid_flat(image, outline)
    contrast = backing_inside(flat)
    if contrast is None:
        return _no_card(why)
    return _finish(flat, mapping, outline, contrast, ((), _none_outside()), stock)


def _read(image: Picture, outline: Outline, clipped: tuple[str, ...], stock: _Stock) -> CardReading:
    flat, mapping = _laid_flat(image, outline)
    contrast = edge_contrast(flat, SCALE)
    if contrast is None:
        return _no_card("paper and backing are too alike to tell them apart", outline)
    return _finish(
        flat, mapping, outline, contrast, (clipped, _outside(mapping, image.shape)), stock
    )


def _laid_flat(image: Picture, outline: Outline) -> tuple[Picture, Mapping]:
    mapping = mapping_of(outline)
    small, shrunk = reduced_for(image, outline.ppi)
    return flat_card(small, mapping, shrunk=shrunk), mapping


def _finish(
    flat: Picture,
    mapping: Mapping,
    outline: Outline,
    contrast: Contrast,
    missing: tuple[tuple[str, ...], Places],
    stock: _Stock,
) -> CardReading:
    """Read a flat card; `missing` are edges and places that lie outside of the picture."""
    clipped, outside = missing
    seen = _look(flat, contrast, stock)
    sharpness = seen.sharpness if not outline.at_border.all() else 1.0
    decision = decide(seen.evidence, light=seen.contrast.light, sharpness=sharpness)
    verdict = verdict_of(
        outline,
        clipped,
        seen.contrast,
        seen.lattice,
        seen.evidence,
        seen.orientation,
        seen.flaws,
        decision,
        sharpness,
    )
    turn = seen.orientation.turn
    unsure = decision.unsure | seen.flaws.hidden | outside | _faint(seen.contrast)
    unsure |= covered(flat, seen.lattice.places, decision.hole & ~decision.unsure)
    if not outline.at_border.any():
        spots = seen.lattice.places + seen.evidence.offset * SCALE
        unsure |= other_tint(flat, spots, decision.hole & ~decision.unsure)
    unsure = _upright(unsure, turn)
    return CardReading(
        patterns=gather_rows(_upright(decision.hole, turn).T),
        probability=_upright(decision.probability, turn).astype(np.float32),
        unsure=unsure,
        bad=verdict.bad,
        facts=_facts(outline, seen, decision, verdict),
        why=verdict.sentence(unsure),
        mapping=mapping.turned(turn),
    )


def _faint(contrast: Contrast) -> Places:
    """Return bool (12, 80), places in so much light or shade that paper and backing look alike."""
    local = contrast.at(centres())
    return np.asarray(local < _LEAST_CONTRAST * np.median(local))


def _none_outside() -> Places:
    return np.zeros((ROWS, COLUMNS), np.bool_)


def _outside(mapping: Mapping, size: tuple[int, ...]) -> Places:
    """Return bool (12, 80), places that lie outside of a picture, or at its very border."""
    places = mapping(centres().reshape(-1, 2))
    near = HOLE_HEIGHT / 2 / INCH * 150
    out = (places < near) | (places > np.array([size[1], size[0]]) - near)
    return np.asarray(out.any(axis=1).reshape(ROWS, COLUMNS))


def _look(flat: Picture, contrast: Contrast, stock: _Stock) -> _Seen:
    scale = projected(flat, contrast)
    local = contrast.at(centres())
    holes = hole_map(without_ink(scale, local) if contrast.light else scale)
    lattice = fit_lattice(holes, local)
    evidence = measure(scale, holes, lattice, local)
    evidence, contrast = _corrected(evidence, contrast, local)
    sight = sight_of(scale, evidence.ground, contrast)
    gone, beyond = (sight.gone(points) for points in cut_probes())
    usual = float(np.median(contrast.at(centres())))
    seen = print_on(scale, evidence, usual, light=contrast.light)
    way = orientation(cut_matches(gone, beyond), *stock, seen, striped=sight.striped)
    flaws = flaws_of(sight, evidence, way.corner)
    return _Seen(contrast, lattice, evidence, way, flaws, edge_step(scale, contrast))


def _corrected(
    evidence: Evidence, contrast: Contrast, local: NDArray[np.float64]
) -> tuple[Evidence, Contrast]:
    """Return evidence and contrast on the scale on which the holes of the card are at 1.

    Not if what look like holes do not agree: some are blackened places then, and what is seen
    beside the card is the better measure.
    """
    plain = _plain_holes(evidence)
    if plain.sum() < _ENOUGH:
        return evidence, contrast
    other = contrast.corrected(centres()[plain], evidence.features[plain, 0])
    moved = evidence.on_scale(local, other.at(centres()))
    apart = spread(moved.features[plain, 0] - 1)
    darkest, lightest = shaded(light=contrast.light)
    backing = darkest < np.median(evidence.features[plain, 0]) < lightest + DEEPER
    return (moved, other) if backing and apart < MOST_SPREAD else (evidence, contrast)


def _plain_holes(evidence: Evidence) -> Places:
    """Return bool (12, 80), places of even level with paper all about, whatever that level is."""
    core, low, _, shape, sides, ends, _ = np.moveaxis(evidence.features, -1, 0)
    even = (core > 0.45) & (low > 0.75 * core)  # noqa: PLR2004 - of the contrast
    bounded = (sides > 0.6 * core) & (ends > 0.6 * core) & (shape > 0.35)  # noqa: PLR2004
    return np.asarray(even & bounded)


def _upright(places: NDArray[Scalar], turn: int) -> NDArray[Scalar]:
    """Return places (12, 80) as on the front of an upright card."""
    if turn in {1, 2}:
        places = places[:, ::-1]
    if turn in {1, 3}:
        places = places[::-1]
    return np.ascontiguousarray(places)


def _facts(outline: Outline, seen: _Seen, decision: Decision, verdict: Verdict) -> PictureFacts:
    shift = seen.lattice.shift.reshape(-1, 2).mean(axis=0)
    return PictureFacts(
        kind=verdict.kind,
        turn=TURNS[seen.orientation.turn],
        turn_certain=seen.orientation.certain,
        skew=outline.skew,
        ppi=outline.ppi,
        stretch=outline.stretch,
        backing="light" if seen.contrast.light else "dark",
        contrast=float(np.abs(seen.contrast.step).max()),
        noise=seen.evidence.noise,
        sharpness=seen.sharpness,
        slipped=(float(shift[0]), float(shift[1])),
        scatter=(float(seen.lattice.scatter[0]), float(seen.lattice.scatter[1])),
        holes=int((decision.hole & ~decision.unsure).sum()),
        damages=verdict.damages,
    )


def _no_card(why: str, outline: Outline | None = None) -> CardReading:
    facts = PictureFacts(damages=("not a card",))
    if outline is not None:
        facts = replace(facts, skew=outline.skew, ppi=outline.ppi, stretch=outline.stretch)
    return CardReading(
        patterns=np.zeros(COLUMNS, np.uint16),
        probability=np.full((ROWS, COLUMNS), 0.5, np.float32),
        unsure=np.ones((ROWS, COLUMNS), np.bool_),
        bad=True,
        facts=facts,
        why=f"not read: {why}",
    )

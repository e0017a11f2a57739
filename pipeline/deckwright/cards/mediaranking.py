"""Ranking media by the bytes of a deck: which way of holding cards gives plausible cards.

Samples from all across the deck are read as every medium would read them. The score of a medium is
that of its best code (see `ranking`), times how well the bytes keep the rules of that medium: line
ends, descriptor words, spare bits that are zero, a whole number of records.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.bitlayouts import BIT_LAYOUTS, bit_layout
from deckwright.cards.deckshapes import (
    DeckBytes,
    Shape,
    descriptor_shapes,
    label_bytes,
    text_shapes,
)
from deckwright.cards.plausible import characters_of, quick_score
from deckwright.cards.ranking import (
    LEAST_LEGAL,
    LEAST_SCORE,
    LEAST_WEIGHT,
    Candidate,
    Fit,
    Ranking,
    codes_of,
    rank_codes,
)
from deckwright.cards.wrappings import wrapping_of

LEAST_MARGIN = 0.05
"""How far the best medium must be before the next, or a person should choose."""

RECORD_LENGTHS = (80, 72, 96, 120, 128, 132, 133, 136)
"""Lengths that are tried on records without line ends; none is a multiple of another."""

_COLUMNS = 80
_CLOSELY = 6  # media that are looked at closely
_BROKEN = 0.8  # what is left of a score when the last record is cut short
_LENGTH_TELLS = 3
_OTHER_LENGTH = 0.99  # the length of a card comes first where another fits as well


@dataclass(frozen=True, slots=True)
class _Try:
    """A shape with the score of its best code by frequencies alone."""

    shape: Shape
    quick: float


def rank_media(
    deck: Path,
    names: Sequence[str] | None = None,
    folders: Sequence[Path] = (),
    fit: Fit | None = None,
) -> Ranking:
    """Rank media, each with its best code, for a deck of which nothing is known.

    The options of a candidate are the table `medium` of a job. A deck that lies compressed or in
    an archive gives one candidate, `wrapped`; what is inside must be expanded and ranked by itself.

    Args:
        deck: the deck.
        names: codes to try; None = the usual ones.
        folders: where code files of one's own lie.
        fit: says how well a layout fits.

    Raises:
        OSError: the deck cannot be read.
        UnknownCodeError, ConfigError: a code that was named cannot be loaded.
    """
    with deck.open("rb", buffering=0) as file:
        data = DeckBytes(file, deck.stat().st_size)
        if not data.size:
            return Ranking((), 0.0, 0.0, sure=False, sentence="the deck is empty")
        if wrapping := wrapping_of(data.head):
            return _wrapped(wrapping)
        shapes = list(_shapes(data))
    codes = {
        holes: [characters_of(code, holes=holes) for code in codes_of(names, folders, holes=holes)]
        for holes in (False, True)
    }
    tried = sorted((_quick(shape, codes) for shape in shapes), key=lambda one: -one.quick)
    ranked = [
        (one.shape, rank_codes(one.shape.cells, names, folders, fit)) for one in tried[:_CLOSELY]
    ]
    return _ranking([pair for pair in ranked if pair[1].candidates])


def _shapes(data: DeckBytes) -> Iterator[Shape]:
    """Yield the ways in which the bytes can be cards."""
    labels = label_bytes(data)
    yield from text_shapes(data)
    yield from descriptor_shapes(data, labels)
    if labels:
        options: dict[str, str | int] = {"kind": "records", "form": "fixed-blocked"}
        cells = data.records(_COLUMNS, labels, data.size - label_bytes(data, at_end=True))
        yield Shape({**options, "labels": "standard"}, cells, 1.0, "begins with labels")
    for length in RECORD_LENGTHS:
        if data.size % length and length != _COLUMNS:
            continue
        keeps = _keeps(data, length) * (1 if length == _COLUMNS else _OTHER_LENGTH)
        options = {"kind": "blocks", "record_length": length}
        yield Shape(options, data.records(length), keeps, f"records of {length} bytes")
    for name in BIT_LAYOUTS:
        layout = bit_layout(name)
        size = layout.size(_COLUMNS)
        images = data.records(size)
        if not images.size:
            continue
        spare = layout.spare(images, _COLUMNS)
        clean = 1.0 if spare is None else 1 - float(spare.mean())
        yield Shape(
            {"kind": "column-binary", "bits": name},
            layout.holes(images, _COLUMNS),
            clean**2 * _keeps(data, size),
            f"{clean:.1%} of columns have no spare bit set",
        )


def _keeps(data: DeckBytes, size: int) -> float:
    return 1.0 if data.size % size == 0 else _BROKEN


def _quick(shape: Shape, codes: Mapping[bool, Sequence[list[str | None]]]) -> _Try:
    holes = shape.cells.dtype == np.uint16
    best = 0.0
    for characters in codes[holes]:
        counts: NDArray[np.int64] = np.bincount(shape.cells.ravel(), minlength=len(characters))
        best = max(best, quick_score(counts, characters))
    return _Try(shape, best * shape.keeps)


def _ranking(ranked: list[tuple[Shape, Ranking]]) -> Ranking:
    lengths = [(s, r.candidates[0].evidence["constancy"]) for s, r in ranked if _is_blocks(s)]
    steady = max((constancy for _, constancy in lengths), default=1.0)
    candidates = sorted(
        (_candidate(shape, ranking, steady) for shape, ranking in ranked),
        key=lambda one: -one.score,
    )
    if not candidates:
        return Ranking((), 0.0, 0.0, sure=False, sentence="these bytes are no deck")
    best = candidates[0]
    inner = next(r for s, r in ranked if _options(s, r) == best.options)
    margin = best.score - (candidates[1].score if len(candidates) > 1 else 0.0)
    sure = (
        best.score >= LEAST_SCORE
        and best.evidence["legal"] >= LEAST_LEGAL
        and margin >= LEAST_MARGIN
        and inner.candidates[0].evidence["blanks"] < 1
    )
    said = f"the deck is {best.name}: {best.sentence}"
    if len(candidates) > 1:
        said += f"; next is {candidates[1].name} with {candidates[1].score:.3f}"
        said += f" against {best.score:.3f}"
    if not sure:
        said += "; that is too little to choose without asking"
    elif not inner.sure and inner.weight < LEAST_WEIGHT:
        said += f"; of its codes {inner.candidates[1].name!r} may be meant too"
    return Ranking(tuple(candidates), margin, inner.weight, sure, said)


def _is_blocks(shape: Shape) -> bool:
    return shape.options["kind"] == "blocks"


def _candidate(shape: Shape, ranking: Ranking, steady: float) -> Candidate:
    """Return a medium with its best code; steady: constancy under the best record length."""
    best = ranking.candidates[0]
    keeps = shape.keeps
    if _is_blocks(shape) and steady:
        # a wrong length is shown by nothing but columns that hold now this, now that
        keeps *= (best.evidence["constancy"] / steady) ** _LENGTH_TELLS
    options = _options(shape, ranking)
    kind = str(options["kind"])
    more = [f"{value}" for key, value in options.items() if key not in {"kind", "code"}]
    name = f"{kind} ({', '.join(more)}) in {best.name!r}" if more else f"{kind} in {best.name!r}"
    evidence = {**best.evidence, "structure": keeps}
    sentence = f"{shape.evidence}; {best.sentence}"
    return Candidate(name, best.score * keeps, evidence, sentence, best.same, options)


def _options(shape: Shape, ranking: Ranking) -> Mapping[str, str | int]:
    return {**shape.options, "code": ranking.candidates[0].name}


def _wrapped(wrapping: str) -> Ranking:
    sentence = f"its first bytes are those of {wrapping}; what is inside has not been looked at"
    options = {"kind": "wrapped", "wrapped": wrapping}
    one = Candidate("wrapped", 1.0, {"structure": 1.0}, sentence, options=options)
    return Ranking(
        (one,), 1.0, float("inf"), sure=True, sentence=f"the deck is wrapped: {sentence}"
    )

"""Ranking media by the bytes of a deck: which way of holding cards gives plausible cards.

Samples from all across the deck are read as every medium would read them. The score of a medium is
that of its best code (see `ranking`), times how well the bytes keep the rules of that medium: line
ends, descriptor words, spare bits that are zero, a length under which columns keep their values.
Rules that are hardly kept by chance speak against all other media.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.bitlayouts import BIT_LAYOUTS, bit_layout
from deckwright.cards.codes import load_code
from deckwright.cards.codetable import CodeTable
from deckwright.identify.deckshapes import (
    Cells,
    DeckBytes,
    Shape,
    descriptor_shapes,
    label_bytes,
    text_shapes,
)
from deckwright.identify.periods import Length, record_lengths
from deckwright.identify.plausible import (
    Characters,
    characters_of,
    no_characters,
    quick_score,
    unusual_cells,
)
from deckwright.identify.ranking import (
    LEAST_LEGAL,
    LEAST_SCORE,
    LEAST_WEIGHT,
    Candidate,
    Fit,
    Ranking,
    codes_of,
    rank_codes,
)
from deckwright.identify.wrappings import wrapping_of
from deckwright.wording import percent, plural

LEAST_MARGIN = 0.05
"""How far the best medium must be before the next, or a person should choose."""

_COLUMNS = 80
_CLOSELY = 6  # media that are looked at closely
_LENGTHS = 4  # of records, that are tried
_BROKEN = 0.8  # what is left of a score when the last record is cut short
_DISPROVED = 0.3  # of a score, that is lost where the rules of another medium are kept throughout
_LACE = 240  # of the 960 places, above which a card is no text
_READABLE = 0.98
_UNUSUAL = 0.2  # of the filled cells, above which a person should look
_NO_TEXT = 0.4  # of the filled cells, from which a record is something else than text
_UNREADABLE = 0.1  # of the filled cells, from which a column holds no text
_MOST_LEFT_OUT = 0.5  # of the records, and of the columns that are punched
_LOST, _ALL_LOST = 0.1, 0.3  # of a score, when some is left out, and when all is


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
    lines = names or [one.name for one in codes_of(None, folders, holes=False) if ends_lines(one)]
    ranked = [
        (one.shape, rank_readable(one.shape.cells, _names(one.shape, names, lines), folders, fit))
        for one in tried[:_CLOSELY]
    ]
    return _ranking([one for one in ranked if one[1].ranking.candidates])


@dataclass(frozen=True, slots=True)
class Readable:
    """Codes, ranked by what can be read; columns, and share of the cards, that were left out."""

    ranking: Ranking
    columns: int = 0
    cards: float = 0.0

    @property
    def said(self) -> str:
        """What was left out, as the end of a sentence."""
        parts = [plural(self.columns, "column")] if self.columns else []
        parts += [f"{percent(self.cards)} of the records"] if self.cards else []
        one = parts == ["1 column"]
        verbs = "holds no text and is left out" if one else "hold no text and are left out"
        return f"; {' and '.join(parts)} {verbs}" if parts else ""


def rank_readable(
    cells: Cells,
    names: Sequence[str] | None = None,
    folders: Sequence[Path] = (),
    fit: Fit | None = None,
) -> Readable:
    """Rank codes by the cards and columns that hold text.

    Columns of numbers in binary, columns of holes that mean something by themselves, and records of
    something else say nothing about a code. They are left out where most can be read.

    Args:
        cells: uint8 (n, L), raw bytes; or uint16 (n, L), patterns.
        names: codes to try; None = the usual ones.
        folders: where code files of one's own lie.
        fit: says how well a layout fits.
    """
    cells = _without_lace(cells)
    ranking = rank_codes(cells, names, folders, fit)
    best = ranking.candidates[0] if ranking.candidates else None
    if best is None or not len(cells) or best.evidence["unusual"] < 1 - _READABLE:
        return Readable(ranking)
    characters = characters_of(load_code(best.name, folders), holes=cells.dtype == np.uint16)
    filled = np.array([character != " " for character in characters])[cells]
    unusual = unusual_cells(cells.astype(np.uint16), characters)
    rows = unusual.sum(axis=1) > _NO_TEXT * np.maximum(1, filled.sum(axis=1))
    rows &= rows.mean() <= _MOST_LEFT_OUT
    nothing = no_characters(cells[~rows].astype(np.uint16), characters)
    columns = _without_text(nothing, filled[~rows])
    if not rows.any() and not columns.any():
        return Readable(ranking)
    kept = cells[~rows][:, ~columns]
    return Readable(rank_codes(kept, names, folders, fit), int(columns.sum()), float(rows.mean()))


def _without_text(nothing: NDArray[np.bool_], filled: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return bool (L): columns that hold no text, where most columns of the cards (n, L) do."""
    counts = filled.sum(axis=0)
    columns: NDArray[np.bool_] = nothing.sum(axis=0) > _UNREADABLE * np.maximum(1, counts)
    if columns.sum() > _MOST_LEFT_OUT * max(1, int((counts > 0).sum())):
        columns[:] = False
    return columns


def ends_lines(code: CodeTable) -> bool:
    """Return whether CR and LF are what they are in ASCII, so that text can be in this code."""
    raw = code.from_raw
    return raw is not None and raw[10] == 10 and raw[13] == 13  # noqa: PLR2004 # LF and CR


def _without_lace(cells: Cells) -> Cells:
    """Leave out cards with more holes than text has; they would speak against every code."""
    if cells.dtype != np.uint16 or not len(cells):
        return cells
    places = np.bitwise_count(cells).sum(axis=1, dtype=np.int64) * _COLUMNS / cells.shape[1]
    kept = places < _LACE
    return cells[kept] if kept.mean() > 1 - _UNREADABLE else cells


def _shapes(data: DeckBytes) -> Iterator[Shape]:
    """Yield the ways in which the bytes can be cards."""
    labels = label_bytes(data)
    yield from text_shapes(data)
    yield from descriptor_shapes(data, labels)
    if labels:
        yield from _labelled(data, labels)
    for one in record_lengths(data.stretch(), data.size)[:_LENGTHS]:
        options: dict[str, str | int] = {"kind": "blocks", "record_length": one.length}
        keeps = one.keeps * (1.0 if one.whole else _BROKEN)
        yield Shape(options, data.records(one.length), keeps, one.evidence, doubt=_in_sets(one))
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
            f"{percent(clean)} of columns have no spare bit set",
        )


def _labelled(data: DeckBytes, labels: int) -> Iterator[Shape]:
    """Yield records of one length between labels."""
    end = data.size - label_bytes(data, at_end=True)
    for one in record_lengths(data.stretch(labels, end), end - labels)[:_LENGTHS]:
        options: dict[str, str | int] = {"kind": "records", "form": "fixed-blocked"}
        options |= {"labels": "standard"}
        if one.length != _COLUMNS:
            options["record_length"] = one.length
        cells = data.records(one.length, labels, end)
        keeps = one.keeps * (1.0 if one.whole else _BROKEN)
        said = f"begins with labels; {one.evidence}"
        yield Shape(options, cells, keeps, said, keeps, _in_sets(one))


def _in_sets(one: Length) -> str:
    if not one.doubt:
        return ""
    more, less = max(one.length, one.doubt), min(one.length, one.doubt)
    return (
        f"the records have {more} bytes, or they have {less} and come in sets of {more // less}; "
        f"everything below is read in records of {one.length}"
    )


def _keeps(data: DeckBytes, size: int) -> float:
    return 1.0 if data.size % size == 0 else _BROKEN


def _quick(shape: Shape, codes: Mapping[bool, Sequence[Characters]]) -> _Try:
    holes = shape.cells.dtype == np.uint16
    best = 0.0
    for characters in codes[holes]:
        counts: NDArray[np.int64] = np.bincount(shape.cells.ravel(), minlength=len(characters))
        best = max(best, quick_score(counts, characters))
    return _Try(shape, best * shape.keeps)


def _ranking(ranked: list[tuple[Shape, Readable]]) -> Ranking:
    candidates = sorted(
        (_candidate(shape, codes, _disproved(shape, ranked)) for shape, codes in ranked),
        key=lambda one: -one.score,
    )
    if not candidates:
        return Ranking((), 0.0, 0.0, sure=False, sentence="these bytes are no deck")
    best = candidates[0]
    shape, inner = next((s, r.ranking) for s, r in ranked if _options(s, r.ranking) == best.options)
    margin = best.score - (candidates[1].score if len(candidates) > 1 else 0.0)
    sure = (
        best.score >= LEAST_SCORE
        and best.evidence["legal"] >= LEAST_LEGAL
        and best.evidence["unusual"] <= _UNUSUAL
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
    return Ranking(tuple(candidates), margin, inner.weight, sure, said, shape.doubt)


def _disproved(shape: Shape, ranked: list[tuple[Shape, Readable]]) -> float:
    """Return how far the rules of another shape, kept throughout, speak against this one."""
    other = max((one.proof for one, _ in ranked if one is not shape), default=0.0)
    return other * (1 - shape.proof)


def _candidate(shape: Shape, readable: Readable, disproved: float) -> Candidate:
    """Return a medium with its best code; disproved: how far another speaks against it, 0 to 1."""
    ranking = readable.ranking
    best = ranking.candidates[0]
    keeps = shape.keeps * (1 - _DISPROVED * disproved)
    options = _options(shape, ranking)
    kind = str(options["kind"])
    more = [f"{value}" for key, value in options.items() if key not in {"kind", "code"}]
    name = f"{kind} ({', '.join(more)}) in {best.name!r}" if more else f"{kind} in {best.name!r}"
    evidence = {**best.evidence, "structure": keeps}
    sentence = f"{shape.evidence}; {best.sentence}"
    if readable.said:
        lost = max(readable.columns / shape.cells.shape[1], readable.cards)
        keeps *= 1 - _LOST - (_ALL_LOST - _LOST) * lost
        sentence += readable.said
    return Candidate(name, best.score * keeps, evidence, sentence, best.same, options)


def _names(shape: Shape, names: Sequence[str] | None, lines: Sequence[str]) -> Sequence[str] | None:
    return lines if shape.options["kind"] == "text" else names


def _options(shape: Shape, ranking: Ranking) -> Mapping[str, str | int]:
    return {**shape.options, "code": ranking.candidates[0].name}


def _wrapped(wrapping: str) -> Ranking:
    sentence = f"its first bytes are those of {wrapping}; what is inside has not been looked at"
    options = {"kind": "wrapped", "wrapped": wrapping}
    one = Candidate("wrapped", 1.0, {"structure": 1.0}, sentence, options=options)
    return Ranking(
        (one,), 1.0, float("inf"), sure=True, sentence=f"the deck is wrapped: {sentence}"
    )

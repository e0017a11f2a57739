"""Ranking codes by how they read a deck, and naming what reads differently under another.

The score of a code is the mean weight of the characters that it reads in cells that are not blank
(see `plausible`), lowered where the columns of the deck do not keep their class of character, and
where a layout, if one is given, does not fit. Codes that read every cell of the sample alike are
one candidate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codes import load_code
from deckwright.cards.codetable import CodeTable, UnfitCodeError
from deckwright.cards.holes import PATTERNS, format_pattern
from deckwright.identify.plausible import Characters, Reading, characters_of, read_cells
from deckwright.wording import percent

_NAMED = 3  # codes that a sentence names

HOLE_CODES = (
    "ebcdic",
    "ascii-card",
    "iso6586",
    "commercial-48",
    "commercial-64",
    "scientific-48",
    "scientific-64",
    "cp500",
    "cp273",
)
"""Codes that are tried on holes, where none are named."""

BYTE_CODES = (
    "ascii",
    "latin-1",
    "cp1252",
    "cp437",
    "cp850",
    "cp037",
    "cp500",
    "cp273",
    "cp1047",
    "cp1140",
)
"""Codes that are tried on bytes, where none are named; those that Python lacks are left out."""

MOST_CARDS = 2_048
"""Cards of a sample that are looked at."""

LEAST_SCORE = 0.5
"""A reading below this is none."""

LEAST_LEGAL = 0.9
"""A code that leaves more cells without a character is not chosen without asking."""

LEAST_WEIGHT = 3.0
"""How much more the cells must weigh under the best code than under the next."""

_CAP = 8  # cells of one value that count, so that one frequent sign cannot decide
_FIT = 0.5
_FIT_CARDS = 20.0
_BYTES = 256
_SMALL_SET = 0.001

Fit = Callable[[NDArray[np.uint16], CodeTable], float]
"""Says which share (0 to 1) of the cards fits a layout, from cells (n, L) and a code."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A way to read a deck.

    name: the code, or the medium with its options. same: others that read the sample alike.
    options: the table that chooses it. evidence: named figures. sentence: the same in words.
    """

    name: str
    score: float
    evidence: Mapping[str, float]
    sentence: str
    same: tuple[str, ...] = ()
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Ranking:
    """Candidates, the best first.

    margin: score of the first less that of the next. weight: how much more the cells that read
    differently weigh under the first. sure: False where a person should choose. doubt: what may
    be meant besides, where everything can be read all the same.
    """

    candidates: tuple[Candidate, ...]
    margin: float
    weight: float
    sure: bool
    sentence: str
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """Cells that two codes read differently.

    cells: bool (n, L). columns: int (k), from 1, that hold such cells. rows: int (m), places of
    cards that do. readings: what stands there, as bytes or holes, and as the two codes read it; how
    often; most frequent first.
    """

    cells: NDArray[np.bool_]
    columns: NDArray[np.intp]
    rows: NDArray[np.intp]
    readings: tuple[tuple[str, str, str, int], ...]


@dataclass(frozen=True, slots=True)
class _Tried:
    code: CodeTable
    characters: Characters
    reading: Reading
    fit: float
    score: float


def rank_codes(
    cells: NDArray[np.uint8] | NDArray[np.uint16],
    names: Sequence[str] | None = None,
    folders: Sequence[Path] = (),
    fit: Fit | None = None,
) -> Ranking:
    """Rank codes by how they read cells of a deck.

    Args:
        cells: uint8 (n, L), raw bytes; or uint16 (n, L), patterns.
        names: the codes to try; None = those of HOLE_CODES or BYTE_CODES.
        folders: where code files of one's own lie.
        fit: says how well a layout fits.

    Raises:
        UnknownCodeError, ConfigError: a code that was named cannot be loaded.
    """
    holes = cells.dtype == np.uint16
    sample = _sample(cells).astype(np.uint16)
    counts = np.bincount(sample.ravel(), minlength=PATTERNS if holes else _BYTES)
    there = np.flatnonzero(counts)
    groups: dict[tuple[str | None, ...], list[CodeTable]] = {}
    for code in codes_of(names, folders, holes=holes):
        characters = characters_of(code, holes=holes)
        groups.setdefault(tuple(characters[value] for value in there), []).append(code)
    tried = sorted(
        ((_try(sample, group[0], fit, holes=holes), group) for group in groups.values()),
        key=lambda one: -one[0].score,
    )
    candidates = tuple(_candidate(one, group) for one, group in tried)
    readings = [one for one, _ in tried]
    return _ranking(candidates, _weigh(sample, readings), readings, len(sample))


def differing_cells(
    table_a: CodeTable, table_b: CodeTable, text: NDArray[np.uint8] | NDArray[np.uint16]
) -> Difference:
    """Return which cells two codes read differently.

    Args:
        table_a: the code in use.
        table_b: the other one.
        text: uint8 (n, L), raw bytes; or uint16 (n, L), patterns.

    Raises:
        UnfitCodeError: a code has no bytes, or no holes.
    """
    holes = text.dtype == np.uint16
    first, second = (characters_of(code, holes=holes) for code in (table_a, table_b))
    for code, characters in ((table_a, first), (table_b, second)):
        if not characters:
            raise UnfitCodeError(code.name, "has no holes" if holes else "has holes but no bytes")
    other = np.array([a != b for a, b in zip(first, second, strict=True)])
    cells: NDArray[np.bool_] = other[text]
    values, counts = np.unique(text[cells], return_counts=True)
    order = np.argsort(-counts, kind="stable")
    readings = tuple(
        (_named(value, holes=holes), first[value] or "", second[value] or "", count)
        for value, count in zip(values[order].tolist(), counts[order].tolist(), strict=True)
    )
    columns = np.flatnonzero(cells.any(axis=0)) + 1
    return Difference(cells, columns, np.flatnonzero(cells.any(axis=1)), readings)


def codes_of(
    names: Sequence[str] | None, folders: Sequence[Path], *, holes: bool
) -> list[CodeTable]:
    """Return the codes to try that have holes, or bytes: those named, or the usual and one's own.

    Raises:
        UnknownCodeError, ConfigError: a code that was named cannot be loaded.
    """
    codes = []
    for name in names or (*(HOLE_CODES if holes else BYTE_CODES), *_own(folders)):
        try:
            code = load_code(name, folders)
        except LookupError:
            if names:
                raise
            continue
        if (code.from_holes if holes else code.from_raw) is not None:
            codes.append(code)
    return codes


def _own(folders: Sequence[Path]) -> Iterator[str]:
    for folder in folders:
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            if path.suffix in {".toml", ".csv"}:
                yield path.stem


def sentence_of(reading: Reading) -> str:
    """Return the figures of a reading in words."""
    valid = f"{percent(reading.legal)} of punched columns are valid characters"
    if reading.legal == 1:
        valid = "every punched column is a valid character"
    return (
        f"{valid}: {percent(reading.digits)} digits, {percent(reading.letters)} letters, "
        f"{percent(reading.specials)} other signs; "
        f"{percent(reading.constancy)} are of their column's usual class"
    )


def evidence_of(reading: Reading) -> dict[str, float]:
    """Return the figures of a reading."""
    return {
        "legal": reading.legal,
        "digits": reading.digits,
        "letters": reading.letters,
        "specials": reading.specials,
        "blanks": reading.blanks,
        "constancy": reading.constancy,
        "unusual": reading.unusual,
    }


def _sample(
    cells: NDArray[np.uint8] | NDArray[np.uint16],
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return at most MOST_CARDS cards, from all across the deck."""
    if len(cells) <= MOST_CARDS:
        return cells
    return cells[np.linspace(0, len(cells) - 1, MOST_CARDS).astype(np.intp)]


def _try(sample: NDArray[np.uint16], code: CodeTable, fit: Fit | None, *, holes: bool) -> _Tried:
    characters = characters_of(code, holes=holes)
    reading = read_cells(sample, characters)
    fits = fit(sample, code) if fit else 1.0
    score = reading.score * (1 - _FIT + _FIT * fits)
    if reading.legal == 1:
        # all of a deck within a small set is no accident
        score += _SMALL_SET * (1 - sum(c is not None for c in characters) / _BYTES) * score
    return _Tried(code, characters, reading, fits, min(1.0, score))


def _candidate(tried: _Tried, group: list[CodeTable]) -> Candidate:
    evidence = evidence_of(tried.reading)
    sentence = sentence_of(tried.reading)
    if tried.fit < 1:
        evidence["fit"] = tried.fit
        sentence += f"; {percent(tried.fit)} of the cards fit the layout"
    same = tuple(code.name for code in group[1:])
    options = {"code": tried.code.name}
    return Candidate(tried.code.name, tried.score, evidence, sentence, same, options)


def _weigh(sample: NDArray[np.uint16], tried: list[_Tried]) -> float:
    """Return how much more the cells weigh under the first reading than under the second."""
    if len(tried) < 2:  # noqa: PLR2004 # a pair
        return float("inf")
    gain = tried[0].reading.weights - tried[1].reading.weights
    size = len(tried[0].characters)
    flat = sample.ravel()
    sums = np.bincount(flat, gain.ravel(), size)
    counts = np.maximum(np.bincount(flat, minlength=size), 1)
    cells = float((sums * np.minimum(counts, _CAP) / counts).sum())
    return cells + (tried[0].fit - tried[1].fit) * min(len(sample), _FIT_CARDS)


def _ranking(
    candidates: tuple[Candidate, ...], weight: float, tried: list[_Tried], cards: int
) -> Ranking:
    if not candidates:
        return Ranking((), 0.0, 0.0, sure=False, sentence="no code can be tried")
    best = candidates[0]
    after = candidates[1].score if len(candidates) > 1 else 0.0
    filled = tried[0].reading.blanks < 1
    sure = (
        filled
        and best.score >= LEAST_SCORE
        and best.evidence["legal"] >= LEAST_LEGAL
        and weight >= LEAST_WEIGHT
    )
    return Ranking(
        candidates, best.score - after, weight, sure, _said(candidates, cards, sure=sure)
    )


def _said(candidates: tuple[Candidate, ...], cards: int, *, sure: bool) -> str:
    best = candidates[0]
    said = f"code {best.name!r} reads {cards:,} cards best: {best.sentence}"
    if best.same:
        many = f"{len(best.same)} other codes give"
        named = f"{', '.join(best.same)} {'gives' if len(best.same) == 1 else 'give'}"
        said += f"; {many if len(best.same) > _NAMED else named} the same text"
    if len(candidates) > 1:
        after = candidates[1]
        said += f"; next is {after.name!r} with {after.score:.3f} against {best.score:.3f}"
    return said if sure else f"{said}; that is too little to choose without asking"


def _named(value: int, *, holes: bool) -> str:
    return (format_pattern(value) or "blank") if holes else f"{value:02X}"

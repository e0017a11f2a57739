"""How sure the code of a run is: its first cards, looked at under the other codes there are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codeparts import parts_on, raw_bytes
from deckwright.cards.codes import load_code, own_files
from deckwright.cards.codetable import ILLEGAL, CodeTable
from deckwright.cards.holes import PATTERNS, parse_pattern
from deckwright.engine.closing.diagnose import share_failing
from deckwright.engine.closing.ending import Ending
from deckwright.engine.passes.firstcards import Cells, first_cards
from deckwright.engine.planning.personal import columns_as_read
from deckwright.engine.planning.plan import Plan
from deckwright.errors import DeckwrightError
from deckwright.identify.plausible import characters_of, quick_score
from deckwright.identify.ranking import (
    BYTE_CODES,
    HOLE_CODES,
    LEAST_SCORE,
    LEAST_WEIGHT,
    Candidate,
    Difference,
    Fit,
    differing_cells,
    rank_codes,
)
from deckwright.layout.overpunch import is_zoned_zero
from deckwright.layout.reading import Layout
from deckwright.plugin.media import Medium
from deckwright.plugin.parted import plain_code
from deckwright.plugin.values import DeckPart, RawTray
from deckwright.report.codereading import CodePair, CodeReading

_PAIRS = 12
_RANKED = 500
_RANKED_CELLS = 200_000
_WORTH = 0.6
_COLUMNS = 6
_CARDS = 3
_BLANK = 32
_ZONES, _DIGITS, _ZERO = np.uint16(0xC00), np.uint16(0x3FF), np.uint16(0x200)
_SOME_PLAIN, _MOSTLY = 0.2, 0.9


def code_reading(ending: Ending) -> CodeReading | None:
    """Return how sure the code of a run is; None where the cards give nothing to compare."""
    kept = first_cards(ending.work)
    if kept is None or ending.plan.named:  # each deck has a code of its own
        return None
    medium = ending.plan.source.medium
    cells, base = _in_base(kept, medium)
    if cells is None or not cells.size:
        return None
    cells = _without_personal(cells, columns_as_read(ending.plan.steps), base)
    folders = ending.plan.configs.code_folders()
    layout = _first_layout(ending.plan)
    holes = cells.dtype == np.uint16
    if holes:
        cells = _without_zoned_zeros(cells, layout)
    some = _spread(cells)
    fit = None if medium.code.parts or layout is None else _fit(layout, holes=holes)
    ranking = rank_codes(some, _near(some, base.name, folders), folders, fit)
    own = next((one for one in ranking.candidates if base.name in (one.name, *one.same)), None)
    if own is None:
        return None
    found = CodeReading(
        base.name,
        own.score,
        own.sentence,
        len(cells),
        len(cells) == ending.cards,
        [name for name in (own.name, *own.same) if name != base.name],
        parts=_parts_said(medium.code),
    )
    rival = _rival(ranking.candidates, own)
    if rival is None:
        return found
    clear, first = ranking.weight >= LEAST_WEIGHT, ranking.candidates[0] is own
    found = replace(found, sure=clear and first, worse=clear and not first)
    differs = differing_cells(base, load_code(rival.name, folders), cells)
    return _with_rival(found, rival, differs, cells, ending.decks)


def _without_personal(cells: Cells, spans: Sequence[tuple[int, int]], base: CodeTable) -> Cells:
    """Return cells with blanks in personal columns, of which no character is listed."""
    if not spans:
        return cells
    holes = cells.dtype == np.uint16
    blank = 0 if holes or base.to_raw is None else int(base.to_raw[_BLANK])
    cells = cells.copy()
    for first, last in spans:
        cells[:, first - 1 : last] = blank
    return cells


def _with_rival(
    found: CodeReading,
    rival: Candidate,
    differs: Difference,
    cells: Cells,
    decks: Sequence[DeckPart],
) -> CodeReading:
    pairs = [
        _pair(cells, decks, punched, read, said, count)
        for punched, read, said, count in differs.readings[:_PAIRS]
    ]
    return replace(
        found,
        next=rival.name,
        next_score=rival.score,
        cells=int(differs.cells.sum()),
        cards=len(differs.rows),
        pairs=pairs,
    )


def _parts_said(code: CodeTable) -> list[str]:
    return [
        f"columns {part.first}-{part.last} are in {part.code.name}"
        + ("" if part.cards is None else " on some cards")
        for part in code.parts
    ]


def _spread(cells: Cells) -> Cells:
    """Return some cards from all across these."""
    most = min(_RANKED, max(1, _RANKED_CELLS // max(1, cells.shape[1])))
    return cells[np.linspace(0, len(cells) - 1, min(len(cells), most)).astype(np.intp)]


def _without_zoned_zeros(cells: Cells, layout: Layout | None) -> Cells:
    """Return patterns in which a zero with a zone over it is the zero, where that is what it is.

    Codes have different characters for 12-0 and 11-0, but in a column of digits, or of a field with
    a sign or a flag, these are digits with a zone under every code.
    """
    some = _spread(cells)
    filled = np.maximum(1, (some != 0).sum(axis=0))
    one_digit = np.bitwise_count(some & _DIGITS) == 1
    plain = (one_digit & (some & _ZONES == 0)).sum(axis=0) / filled
    either = (one_digit & (some & _ZONES != _ZONES)).sum(axis=0) / filled
    signed = (plain >= _SOME_PLAIN) & (either >= _MOSTLY)
    for spec in [] if layout is None else layout.zoned_fields():
        signed[slice(spec.span[0] - 1, spec.span[1])] = True
    columns = np.flatnonzero(signed)
    part = cells[:, columns]
    hit = is_zoned_zero(part.astype(np.uint16, copy=False))
    if not hit.any():
        return cells
    changed = cells.copy()
    changed[:, columns] = np.where(hit, _ZERO, part)
    return changed


def _pair(
    cells: Cells, decks: Sequence[DeckPart], punched: str, read: str, other: str, count: int
) -> CodePair:
    here = cells == _value(punched, holes=cells.dtype == np.uint16)
    counts = here.sum(axis=0)
    most = sorted(np.flatnonzero(counts).tolist(), key=lambda column: (-counts[column], column))
    words = ", ".join(f"{column + 1} ({counts[column]:,})" for column in most[:_COLUMNS])
    more = f" and {len(most) - _COLUMNS} more" if len(most) > _COLUMNS else ""
    cards = (np.flatnonzero(here.any(axis=1))[:_CARDS] + 1).tolist()
    return CodePair(punched, read, other, count, words + more, [_placed(c, decks) for c in cards])


def _placed(card: int, decks: Sequence[DeckPart]) -> str:
    """Return a card's number in its deck, and which deck that is where there are several."""
    deck = next(one for one in reversed(decks) if one.first <= card)
    return f"{card - deck.first + 1:,}" + (f" of {deck.name}" if len(decks) > 1 else "")


def _value(punched: str, *, holes: bool) -> int:
    return parse_pattern(punched) if holes else int(punched, 16)


def _rival(candidates: Sequence[Candidate], own: Candidate) -> Candidate | None:
    """Return the best other code that can be meant at all."""
    return next((one for one in candidates if one is not own and one.score >= LEAST_SCORE), None)


def _in_base(kept: Cells, medium: Medium[Any]) -> tuple[Cells | None, CodeTable]:
    """Return cells as they lie on the medium, and the code of all columns outside parts.

    Cells in parts are made blank, since their code is not in question.
    """
    code = medium.code
    base = plain_code(medium)
    if kept.dtype == np.uint16:
        cells: Cells = kept
        blank = 0
    elif code.to_raw is None or base.to_raw is None:
        return None, base
    else:
        cells = np.maximum(raw_bytes(code, kept.astype(np.uint8)), 0).astype(np.uint8)
        blank = int(base.to_raw[_BLANK])
    if code.parts:
        cells = cells.copy()
        text = _text(kept, code) if kept.dtype == np.uint16 else kept.astype(np.uint8)
        for part, cards in parts_on(code, text):
            rows = slice(None) if cards is None else np.flatnonzero(cards)
            cells[rows, part.place] = blank
    return cells, base


def _text(cells: Cells, code: CodeTable) -> NDArray[np.uint8]:
    """Return cells, bytes or patterns, as internal bytes."""
    if cells.dtype == np.uint8:
        assert code.from_raw is not None  # noqa: S101 # a code of bytes
        return code.from_raw[cells]
    assert code.from_holes is not None  # noqa: S101 # a code of holes
    table = np.where(code.from_holes < 0, ILLEGAL, code.from_holes).astype(np.uint8)
    return table[cells]


def _near(cells: Cells, own: str, folders: Sequence[Path]) -> list[str]:
    """Return the codes that can be meant at all: the usual ones, those of one's own, the one used.

    The others read the cells as so much noise that it is not worth while to look closely.
    """
    holes = cells.dtype == np.uint16
    places = [folder for folder in folders if folder.name == "codes"]
    files = [path.stem for path in own_files(places)]
    names = dict.fromkeys((own, *(HOLE_CODES if holes else BYTE_CODES), *sorted(files)))
    counts = np.bincount(cells.ravel(), minlength=PATTERNS if holes else 256)
    mine = {own, *files}
    scores = {
        name: _quick(name, counts, folders if name in mine else (), holes=holes) for name in names
    }
    least = max(scores.values()) * _WORTH
    return [name for name, score in scores.items() if name == own or score >= least]


def _quick(name: str, counts: NDArray[np.int64], folders: Sequence[Path], *, holes: bool) -> float:
    """Return how well the code reads cells by their frequencies; below zero where it cannot."""
    try:
        characters = characters_of(load_code(name, folders), holes=holes)
    except (DeckwrightError, LookupError, ValueError):
        return -1.0  # a file beside the job that is no code, or a codec that this Python lacks
    return quick_score(counts, characters) if characters else -1.0


def _first_layout(plan: Plan) -> Layout | None:
    """Return the first layout of the cards as they were read."""
    befores = [step.before for step in plan.steps]
    return next((b.layout for b in befores if b.layout and not b.punched_anew), None)


def _fit(layout: Layout, *, holes: bool) -> Fit:
    """Return how well the layout fits."""

    def fit(cells: NDArray[np.uint16], code: CodeTable) -> float:
        if cells.shape[1] < layout.width:
            return 1.0
        text = _text(cells if holes else cells.astype(np.uint8), code)
        raw = RawTray(1, text, cells if holes else None, None, [])
        return 1 - share_failing(layout, raw, code)

    return fit

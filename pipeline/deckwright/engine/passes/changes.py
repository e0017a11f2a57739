"""What a stage changed, found by comparing the tray before and after."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.matrix import cut, rows_of
from deckwright.cards.values import Values
from deckwright.engine.planning.plan import Step
from deckwright.journal.columns import text_column
from deckwright.journal.sealing import SEALED
from deckwright.journal.segment import Segment
from deckwright.layout.expressions import series
from deckwright.layout.personal import touches
from deckwright.layout.tray import Tray

Matrix = NDArray[np.uint8]
Places = NDArray[np.intp]


def note_changes(
    step: Step,
    tray: Tray,
    out: Tray,
    kept: Places | None,
    rows: Places,
    segment: Segment,
) -> None:
    """Enter every change of a card that goes on into the journal.

    Args:
        step: the stage.
        tray: what came in.
        out: what goes on.
        kept: place in `tray` of each card of `out`, -1 for an added card; None = same cards.
        rows: row in the segment of each card of `out`.
        segment: the journal segment.
    """
    if out is tray or not len(out):
        return
    if out.text is not tray.text:
        _text(step, tray, out, kept, rows, segment)
    known = set(tray.names) if out.added else set()
    for name, values in out.added.items():
        before = tray.values(name) if name in known else None
        if before is values or name in step.stage.derived:
            continue
        if before is not None and kept is not None:
            before = before.take(np.maximum(kept, 0))
        if before is not None and _same(before, values):
            continue
        if name in step.personal.names:
            old, new = (_texts(each, segment) for each in (before, values))
            _sealed(segment, (f"s{step.number}_before_{name}", f"s{step.number}_after_{name}"),
                    rows, old, new)  # fmt: skip
            continue
        if before is not None:
            segment.values(f"s{step.number}_before_{name}", rows, before)
        segment.values(f"s{step.number}_after_{name}", rows, values)


def _texts(values: Values | None, segment: Segment) -> pl.Series | None:
    if values is None:
        return None
    return series(values, "value", segment.alphabet).cast(pl.String)


def _sealed(
    segment: Segment,
    names: tuple[str, str],
    rows: Places,
    before: pl.Series | None,
    after: pl.Series | None,
) -> None:
    """Enter what stands for personal text before and after; before: None = there was none."""
    assert after is not None  # noqa: S101 # what a stage leaves is there
    if before is None:
        segment.column(names[1], rows, segment.seal.texts(after))
        return
    segment.column(names[0], rows, segment.seal.texts(before))
    segment.column(names[1], rows, segment.seal.changed(before, after))


def _same(before: Values, after: Values) -> bool:
    if (before.kind, before.scale, before.data.shape) != (
        after.kind,
        after.scale,
        after.data.shape,
    ):
        return False
    missing = np.array_equal(before.present(), after.present())
    return missing and np.array_equal(before.data, after.data)


def _text(
    step: Step, tray: Tray, out: Tray, kept: Places | None, rows: Places, segment: Segment
) -> None:
    before = tray.text if kept is None else rows_of(tray.text, np.maximum(kept, 0))
    before, after = _same_width(before, out.text)
    if kept is not None and (kept < 0).any():
        before = before.copy()
        before[kept < 0] = 0
    touched, changed = _difference(before, after)
    if not touched.any():
        return
    where = slice(None) if changed.all() else np.flatnonzero(changed)
    for first, last in _spans(out, after.shape[1]):
        if touched[first - 1 : last].any():
            span = f"{first}_{last}"
            names = f"s{step.number}_before_{span}", f"s{step.number}_after_{span}"
            cells = [cut(matrix, first, last)[where] for matrix in (before, after)]
            if touches(first, last, step.personal.spans):
                texts = (text_column(each, segment.alphabet) for each in cells)
                ends = names[0] + SEALED, names[1] + SEALED
                _sealed(segment, ends, rows[where], *texts)
                continue
            for name, matrix in zip(names, cells, strict=True):
                segment.column(name, rows[where], matrix)


def _same_width(before: Matrix, after: Matrix) -> tuple[Matrix, Matrix]:
    """Pad the narrower with zero bytes: a column that is not there differs from every other."""
    width = max(before.shape[1], after.shape[1])
    return _padded(before, width), _padded(after, width)


def _padded(matrix: Matrix, width: int) -> Matrix:
    if matrix.shape[1] == width:
        return matrix
    wide = np.zeros((len(matrix), width), np.uint8)
    wide[:, : matrix.shape[1]] = matrix
    return wide


def _difference(before: Matrix, after: Matrix) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return bool (L): columns in which some card differs, and bool (n): cards that differ."""
    count, width = before.shape
    if width % 8 or not (before.flags.c_contiguous and after.flags.c_contiguous):
        differs = before != after
        return np.asarray(differs.any(axis=0)), np.asarray(differs.any(axis=1))
    old, new = before.view(np.uint64), after.view(np.uint64)
    anywhere = np.zeros(width // 8, np.uint64)
    rows = np.zeros(count, np.uint64)
    # eight columns at a time; a reduction along such short rows would be several times slower
    for place in range(width // 8):
        differs_here = old[:, place] ^ new[:, place]
        anywhere[place] = np.bitwise_or.reduce(differs_here)
        rows |= differs_here
    return anywhere.view(np.uint8) != 0, rows != 0


def _spans(out: Tray, width: int) -> list[tuple[int, int]]:
    """Return the columns of the fields of the layout now in force, and the gaps between them."""
    edges = {1, width + 1}
    layout = out.readings[-1].layout if out.readings else None
    if layout is not None:
        for name in layout.field_names:
            for first, last in getattr(layout, "columns", lambda _: [])(name):
                edges |= {first, last + 1}
    cuts = sorted(edge for edge in edges if edge <= width + 1)
    return [(first, after - 1) for first, after in pairwise(cuts)]

"""Writing values into the columns of cards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.values import Values
from deckwright.jobs.dateforms import parse_date_form
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.dates import write_dates
from deckwright.layout.digits import nibbles, not_digits
from deckwright.layout.exponents import exponent_cells
from deckwright.layout.failures import DOES_NOT_FIT, Failure
from deckwright.layout.formatting import digit_cells, number_cells, placed_text
from deckwright.layout.overpunch import OVER
from deckwright.layout.walk import CompiledField
from deckwright.layout.words import BLANK, Bytes, Places, cells_of, chunks, put_cells, steady

Mask = NDArray[np.bool_]


def write_fields(
    fields: Sequence[CompiledField],
    values: Mapping[str, Values],
    base: Bytes,
    rows: Places | None,
) -> list[Failure]:
    """Write the fields of one card type into some rows of base (n, L), or into all.

    Returns:
        The values that do not fit; their columns keep what stands there.
    """
    failures = []
    for field in fields:
        spec = field.spec
        value = _chosen(values, spec.name, rows)
        flag = _chosen(values, spec.flag_name, rows)
        if value is None and flag is None:
            continue
        if value is None:  # a flag alone goes over the digit that stands there
            image = steady(base if rows is None else base[rows])
            value = field.kernel.read(image).values
        cells, misfit, why = _cells(spec, value, flag)
        if spec.kind == "exponent":
            _keep_standing(field, value, base if rows is None else base[rows], cells, misfit)
        fits = np.flatnonzero(~misfit)
        if len(fits) == len(cells):
            put_cells(base, rows, spec.span[0], cells)
            continue
        places = fits if rows is None else rows[fits]
        put_cells(base, places, spec.span[0], cells[fits])
        bad = np.flatnonzero(misfit)
        where = bad if rows is None else rows[bad]
        failures.append(
            Failure(where, DOES_NOT_FIT, spec.name, spec.span, None, why, spec.severity)
        )
    return failures


def _keep_standing(
    field: CompiledField, values: Values, base: Bytes, cells: Bytes, misfit: Mask
) -> None:
    """Keep the columns of cards (k) where the number stands already, in whatever form."""
    spec = field.spec
    standing = field.kernel.read(steady(base)).values
    scaled, inexact = _scaled(values, spec.scale)
    same = standing.present() & values.present() & ~inexact & (standing.data == scaled)
    cells[same] = cells_of(base, spec.span[0], spec.width)[same]
    misfit[same] = False


def _chosen(values: Mapping[str, Values], name: str, rows: Places | None) -> Values | None:
    found = values.get(name) if name else None
    return found if found is None or rows is None else found.take(rows)


def _cells(spec: FieldSpec, values: Values, flag: Values | None) -> tuple[Bytes, Mask, str]:
    """Return cells (k, w), bool (k): true where a value does not fit, and the rule."""
    cells, misfit = _value_cells(spec, values)
    misfit |= _read_as_missing(spec, cells)
    if spec.overpunch and flag is not None:
        misfit |= _punch_flags(spec, cells, flag)
    if values.missing is not None and values.missing.any():
        absent = _missing_cells(spec)
        gone = np.flatnonzero(values.missing)
        misfit[gone] = absent is None
        if absent is not None:
            cells[gone] = absent
        if spec.overpunch and flag is not None:
            misfit[gone] |= _punch_lone_flags(spec, cells, flag, gone)
    return cells, misfit, _fit_detail(spec)


def _value_cells(spec: FieldSpec, values: Values) -> tuple[Bytes, Mask]:
    count = len(values)
    if spec.kind == "holes" or values.kind == "holes":
        return np.full((count, spec.width), BLANK, np.uint8), np.ones(count, np.bool_)
    if spec.numeric or spec.kind == "exponent":
        scaled, misfit = _scaled(values, spec.scale)
        written = number_cells if spec.numeric else exponent_cells
        cells, unfit = written(scaled, spec)
        return cells, misfit | unfit
    if spec.kind == "date":
        if values.kind != "date":
            return np.full((count, spec.width), BLANK, np.uint8), np.ones(count, np.bool_)
        days = values.data.astype(np.int32, copy=False)
        return write_dates(days, parse_date_form(spec.form), spec.century)
    if values.kind == "text":
        cells, misfit = placed_text(values.data.astype(np.uint8, copy=False), spec)
    elif values.kind == "whole":
        cells, misfit = digit_cells(values.data.astype(np.int64, copy=False), spec)
    else:
        return np.full((count, spec.width), BLANK, np.uint8), np.ones(count, np.bool_)
    if spec.kind == "digits":
        misfit |= _not_all_digits(spec, cells)
    return cells, misfit


def _not_all_digits(spec: FieldSpec, cells: Bytes) -> Mask:
    wrong = np.zeros(len(cells), np.bool_)
    image = steady(cells)
    for first, width in chunks(1, spec.width):
        wrong |= not_digits(nibbles(image, first, width)) != 0
    if spec.filled == "0" or not wrong.any():
        return wrong
    # blanks are good on the side that is filled, next to digits
    columns = np.ascontiguousarray(cells.T)
    is_digit = (columns - np.uint8(48)) < 10  # noqa: PLR2004
    blank = columns == BLANK
    left = spec.justified == "left"
    inner = blank[:-1] & ~blank[1:] if left else blank[1:] & ~blank[:-1]
    wrong[:] = ~(is_digit | blank).all(axis=0) | inner.any(axis=0) | blank.all(axis=0)
    return wrong


def _scaled(values: Values, scale: int) -> tuple[NDArray[np.int64], Mask]:
    """Return numbers counted in units of 10**-scale, and where that is not exact."""
    count = len(values)
    if values.kind not in ("whole", "decimal"):
        return np.zeros(count, np.int64), np.ones(count, np.bool_)
    data = values.data.astype(np.int64, copy=False)
    shift = scale - values.scale
    if shift == 0:
        return data, np.zeros(count, np.bool_)
    factor = np.int64(10 ** abs(shift))
    if shift < 0:
        scaled = data // factor
        inexact: Mask = scaled * factor != data
        return scaled, inexact
    far: Mask = np.abs(data) >= np.int64(10**18) // factor
    return np.where(far, 0, data) * factor, far


def _missing_cells(spec: FieldSpec) -> Bytes | None:
    """Return the columns that say that there is no value; None when nothing can say it."""
    if spec.blank == "missing":
        return np.full(spec.width, BLANK, np.uint8)
    if not spec.missing_values:
        return None
    raw = spec.missing_values[0].strip().encode("latin-1")
    left = spec.justified == "left"
    return np.frombuffer(raw.ljust(spec.width) if left else raw.rjust(spec.width), np.uint8)


def _read_as_missing(spec: FieldSpec, cells: Bytes) -> Mask:
    """Return bool (k): true where a value would read back as missing."""
    wrong = np.zeros(len(cells), np.bool_)
    for text in spec.missing_values:
        raw = text.strip().encode("latin-1")
        for placed in {raw.ljust(spec.width), raw.rjust(spec.width)}:
            wrong |= _equal(cells, np.frombuffer(placed, np.uint8))
    if spec.blank == "error":
        wrong |= _equal(cells, np.full(spec.width, BLANK, np.uint8))
    return wrong


def _equal(cells: Bytes, wanted: Bytes) -> Mask:
    """Return bool (k): true where cells (k, w) are as wanted (w)."""
    same: Mask = cells[:, 0] == wanted[0]
    rows = np.flatnonzero(same)
    if rows.size:  # the first column tells most apart
        same[rows] = (cells[rows] == wanted).all(axis=1)
    return same


def _zones(spec: FieldSpec, flag: Values) -> tuple[Bytes, Mask]:
    """Return by card 0 no zone, 1 zone 12, 2 zone 11; and where the word is no flag."""
    zones = np.zeros(len(flag), np.uint8)
    known = (flag.data == BLANK).all(axis=1)
    if flag.missing is not None:
        known |= flag.missing
    for place, zone in enumerate(("12", "11"), 1):
        word = spec.overpunch.get(zone, "").encode("latin-1")  # type: ignore[call-overload] # a key
        if word and len(word) <= flag.data.shape[1]:
            wide = np.frombuffer(word.ljust(flag.data.shape[1]), np.uint8)
            same = (flag.data == wide).all(axis=1)
            zones[same] = place
            known |= same
    return zones, ~known


def _punch_flags(spec: FieldSpec, cells: Bytes, flag: Values) -> Mask:
    zones, unknown = _zones(spec, flag)
    digit = np.minimum(cells[:, -1] - np.uint8(48), 9)
    flagged = zones > 0
    cells[flagged, -1] = OVER[zones[flagged], digit[flagged]]
    return unknown


def _punch_lone_flags(spec: FieldSpec, cells: Bytes, flag: Values, gone: Places) -> Mask:
    """Punch flags over blanks, for cards (k) whose value is missing; tell where that cannot be."""
    zones, unknown = _zones(spec, flag)
    zones, unknown = zones[gone], unknown[gone]
    flagged = np.flatnonzero(zones)
    if spec.zone_alone != "flag":
        unknown |= zones > 0
        return unknown
    alone = np.full(spec.width, BLANK, np.uint8)
    for place, character in ((1, b"&"), (2, b"-")):
        alone[-1] = character[0]
        cells[gone[flagged[zones[flagged] == place]]] = alone
    return unknown


def _fit_detail(spec: FieldSpec) -> str:
    columns = f"{spec.width} column{'s' if spec.width > 1 else ''}"
    match spec.kind:
        case "date":
            return f"should be a date that the form {spec.form} can say"
        case "digits":
            return f"should be at most {spec.width} digits"
        case "whole" | "decimal":
            signs = "without a sign" if spec.sign == "none" else "with its sign"
            return f"should be a number that fits into {columns} {signs}"
        case "exponent":
            signs = "without a sign" if spec.sign == "none" else "with its sign"
            return f"should be a number that {spec.form} can say in {columns} {signs}"
        case "holes":
            return "holes cannot be written as characters"
        case _:
            return f"should be a text that fits into {columns}"

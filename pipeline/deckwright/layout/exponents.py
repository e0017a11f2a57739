"""Numbers with exponents: their columns become exact decimals, and decimals columns again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from typing_extensions import override

from deckwright.cards.values import ValueKind
from deckwright.jobs.exponentforms import ExponentForm, parse_exponent_form
from deckwright.jobs.fieldspecs import FieldSpec
from deckwright.layout.failures import Reason
from deckwright.layout.fields import Data, Mask, TwoWayKernel
from deckwright.layout.formatting import plain_digits
from deckwright.layout.numbers import CloseReading, Faults
from deckwright.layout.words import BLANK, Bytes, cells_of

_MOST_DIGITS = 18
_FARTHEST = 10_000  # an exponent beyond is held as this one: no number but 0 reaches there
_POWERS = 10 ** np.arange(_MOST_DIGITS + 1, dtype=np.int64)

# what a column may hold, and how far a number has come when it is reached
_BLANK, _DIGIT, _POINT, _PLUS, _MINUS, _LETTER, _OTHER = range(7)
(
    _START, _SIGNED, _WHOLE, _BARE_POINT, _BEHIND, _LETTERED, _POWER_SIGNED, _POWER, _OVER, _WRONG
) = range(10)  # fmt: skip
_ENDS = (_WHOLE, _BEHIND, _POWER, _OVER)


def _signs() -> NDArray[np.uint8]:
    """Return uint8 (256): the class of each internal byte."""
    table = np.full(256, _OTHER, np.uint8)
    for bytes_, kind in (
        (b" ", _BLANK), (b"0123456789", _DIGIT), (b".", _POINT), (b"+", _PLUS), (b"-", _MINUS),
        (b"EDed", _LETTER),
    ):  # fmt: skip
        table[list(bytes_)] = kind
    return table


def _steps(*, signed: bool, left: bool) -> NDArray[np.uint8]:
    """Return uint8 (states, classes): the state after a column, `_WRONG` for a fault."""
    table = np.full((_WRONG + 1, _OTHER + 1), _WRONG, np.uint8)
    if not left:
        table[_START, _BLANK] = _START
    if signed:
        table[_START, [_PLUS, _MINUS]] = _SIGNED
    for state in (_START, _SIGNED, _WHOLE):
        table[state, _DIGIT] = _WHOLE
        table[state, _POINT] = _BARE_POINT
    table[_WHOLE, _POINT] = _BEHIND
    table[[_BARE_POINT, _BEHIND], _DIGIT] = _BEHIND
    for state in (_WHOLE, _BEHIND):
        table[state, _LETTER] = _LETTERED
        table[state, [_PLUS, _MINUS]] = _POWER_SIGNED
    table[_LETTERED, [_PLUS, _MINUS]] = _POWER_SIGNED
    table[[_LETTERED, _POWER_SIGNED, _POWER], _DIGIT] = _POWER
    if left:
        table[list(_ENDS), _BLANK] = _OVER
    return table


_CLASSES = _signs()


class ExponentKernel(TwoWayKernel):
    """A number with an exponent, counted in units of 10**-decimals."""

    value_kind: ValueKind = "decimal"

    def __init__(self, spec: FieldSpec) -> None:
        super().__init__(spec)
        self.form = parse_exponent_form(spec.form)
        self.steps = _steps(signed=spec.sign == "leading", left=spec.justified == "left")
        # blanks do not make this reading doubt, so every missing value looks like a number to it
        self.disguised = self.missing_texts

    @override
    def quick(self, text: Bytes) -> tuple[Data, Mask]:
        cells = np.ascontiguousarray(cells_of(text, self.first, self.width).T)
        reading = self.closely(cells)
        return reading.data, reading.reason != 0

    @override
    def closely(self, columns: Bytes) -> CloseReading:
        count = columns.shape[1]
        faults = Faults.none(count)
        parts = _Parts(count, self.form.implied)
        state = np.full(count, _START, np.uint8)
        for place, column in enumerate(columns):
            kind = _CLASSES[column]
            after = self.steps[state, kind]
            faults.mark((after == _WRONG) & (state != _WRONG), Reason.NOT_A_NUMBER, place)
            parts.take(state, after, kind, column)
            state = after
        faults.mark(~np.isin(state, _ENDS), Reason.NOT_A_NUMBER)
        data, exact = parts.scaled(self.spec.scale)
        faults.mark(~exact, Reason.NOT_EXACT)
        data[faults.reason != 0] = 0
        return CloseReading(data, faults.reason != 0, faults.reason, faults.column)


class _Parts:
    """Mantissa and exponent of k numbers, while their columns go by."""

    def __init__(self, count: int, implied: int) -> None:
        self.mantissa, self.figures, self.behind, self.power = np.zeros((4, count), np.int64)
        self.negative, self.downward, self.pointed = np.zeros((3, count), np.bool_)
        self.implied = implied

    def take(
        self,
        before: NDArray[np.uint8],
        state: NDArray[np.uint8],
        kind: NDArray[np.uint8],
        column: Bytes,
    ) -> None:
        """Take one column (k) of every number, which went from one state to another."""
        digit = kind == _DIGIT
        number = (column - np.uint8(48)).astype(np.int64)
        counts = digit & ((state == _WHOLE) | (state == _BEHIND))
        if counts.any():
            self.figures += counts & ((self.figures > 0) | (number > 0))
            held = counts & (self.figures <= _MOST_DIGITS)
            np.copyto(self.mantissa, self.mantissa * 10 + number, where=held)
            self.behind += digit & (state == _BEHIND)
        self.pointed |= kind == _POINT
        of_power = state == _POWER
        if of_power.any():
            power = np.minimum(self.power * 10 + number, _FARTHEST)
            np.copyto(self.power, power, where=of_power)
        minus = kind == _MINUS
        self.negative |= minus & (before == _START)
        self.downward |= minus & (state == _POWER_SIGNED)

    def scaled(self, scale: int) -> tuple[NDArray[np.int64], Mask]:
        """Return the numbers (k) in units of 10**-scale, and where they are exactly that."""
        behind = np.where(self.pointed, self.behind, self.implied)
        step = np.where(self.downward, -self.power, self.power) - behind + scale
        up = _POWERS[np.clip(step, 0, _MOST_DIGITS)]
        down = _POWERS[np.clip(-step, 0, _MOST_DIGITS)]
        exact = (self.mantissa <= (_POWERS[-1] - 1) // up) & (step <= _MOST_DIGITS)
        exact &= (self.mantissa % down == 0) & (step >= -_MOST_DIGITS)
        exact |= self.mantissa == 0
        exact &= self.figures <= _MOST_DIGITS
        data = np.where(exact, self.mantissa, 0) // down * np.where(exact, up, 1)
        return np.where(self.negative, -data, data), exact


def exponent_cells(scaled: NDArray[np.int64], spec: FieldSpec) -> tuple[Bytes, Mask]:
    """Return numbers as they stand in a field (n, w), and bool (n): true where one does not fit.

    Args:
        scaled: the numbers, counted in units of 10**-spec.scale.
        spec: a field of kind exponent.
    """
    form = parse_exponent_form(spec.form)
    negative = scaled < 0
    body, misfit = _bodies(np.abs(scaled), form, spec.scale)
    signed = negative if spec.plus == "bare" else np.ones(len(scaled), np.bool_)
    if spec.sign == "none":
        misfit |= negative
        signed = np.zeros(len(scaled), np.bool_)
    cells = np.full((len(scaled), spec.width), BLANK, np.uint8)
    room = spec.width > form.width
    for rows, marked in ((np.flatnonzero(~signed), False), (np.flatnonzero(signed), room)):
        start = int(marked) if spec.justified == "left" else spec.width - form.width
        cells[rows, start : start + form.width] = body[rows]
        if marked:
            cells[rows, start - 1] = np.where(negative[rows], ord("-"), ord("+"))
    if not room:
        misfit |= signed
    return cells, misfit


def _bodies(size: NDArray[np.int64], form: ExponentForm, scale: int) -> tuple[Bytes, Mask]:
    """Return numbers (n) of no sign as the form writes them, and where it cannot."""
    figures = np.searchsorted(_POWERS, size, side="right")  # digits of the number; none of 0
    step = form.figures - figures
    mantissa = size * _POWERS[np.clip(step, 0, _MOST_DIGITS)]
    down = _POWERS[np.clip(-step, 0, _MOST_DIGITS)]
    misfit: Mask = mantissa % down != 0
    mantissa //= down
    power = np.where(size == 0, 0, figures - scale - (form.lead == "9"))
    misfit |= np.abs(power) >= 10**form.power
    digits, _ = plain_digits(mantissa.view(np.uint64), form.figures)
    powers, _ = plain_digits(np.abs(power).view(np.uint64), form.power)
    before = form.figures - form.behind
    count = len(size)
    parts = [digits[:, :before], _same("0" if form.lead == "0" else "", count)]
    parts += [_same(form.point.replace("V", ""), count), digits[:, before:]]
    sign = np.where(power < 0, ord("-"), ord("+")).astype(np.uint8)
    parts += [_same(form.letter, count), sign[:, None], powers]
    return np.hstack(parts), misfit


def _same(text: str, count: int) -> Bytes:
    """Return a text in every row (n, w)."""
    return np.tile(np.frombuffer(text.encode(), np.uint8), (count, 1))

"""Guessed fields: every column of the cards of one type as part of one, with reasons."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from deckwright.examine.fields.datespans import SURE_DATE
from deckwright.examine.fields.found import FieldSpan, find_fields
from deckwright.examine.guess.checkfinding import CheckGuess, find_checks
from deckwright.examine.guess.columns import Look
from deckwright.examine.guess.counted import check_guess, date_guess, sequence_guess
from deckwright.examine.guess.naming import blank_guess, code_guess, holes_guess, text_guess
from deckwright.examine.guess.numbering import number_guess
from deckwright.examine.model import Guess, SequenceFacts

MOST_COLUMNS = 400
"""Columns in which fields are guessed; the rest of longer records is shown by column alone."""

_ENOUGH = 12  # cards, below which nothing is guessed
_STRANGE = 0.02  # of the cards, whose holes are no character
_NEARLY_BLANK = 0.995
_CODE_WIDTH = 6
_FEW_DIGITS = 6
_NO_CODES = ("signed number", "signed or flagged number", "decimal number", "number with exponent")


def guess_fields(
    look: Look, sequences: Sequence[SequenceFacts], code: tuple[int, int] | None = None
) -> list[Guess]:
    """Return the fields of the cards of one type, by column.

    Args:
        look: the cards.
        sequences: fields of running numbers that were found in the whole deck.
        code: columns (from 1) that tell the types of cards.
    """
    if look.count < _ENOUGH:
        return []
    here = {(one.first, one.last): one for one in sequences if _is_here(look, one)}
    taken = np.zeros(look.width, np.bool_)
    taken[MOST_COLUMNS:] = True
    for first, last in here:
        taken[first - 1 : last] = True
    if code is not None:
        taken[code[0] - 1 : code[1]] = True
        here = {span: one for span, one in here.items() if span[1] < code[0] or code[1] < span[0]}
    checks = {(one.first, one.last): one for one in find_checks(look, taken)}
    apart = [] if code is None else [code]
    known = [(first - 1, last - 1) for first, last in (*here, *checks, *apart)]
    text = look.text[:, :MOST_COLUMNS]
    found = find_fields(text, look.kinds, known)
    spans = _whole(look, found)
    return [
        _guess(look, span, here, checks, [one for one in spans if one.width == span.width])
        for span in spans
    ]


def _whole(look: Look, found: Sequence[FieldSpan]) -> list[FieldSpan]:
    """Return the spans, columns whose holes are no characters each by itself."""
    spans: list[FieldSpan] = []
    for span in found:
        strange = look.strange[span.first : span.last + 1] > _STRANGE
        if not strange.any():
            spans.append(span)
            continue
        start = span.first
        for column in range(span.first, span.last + 1):
            if strange[column - span.first]:
                if start < column:
                    spans.append(FieldSpan(start, column - 1, 0.0))
                spans.append(FieldSpan(column, column, 0.95))
                start = column + 1
        if start <= span.last:
            spans.append(FieldSpan(start, span.last, 0.0))
    return spans


def _is_here(look: Look, sequence: SequenceFacts) -> bool:
    columns = slice(sequence.first - 1, sequence.last)
    return bool(look.digit[columns].min() > 0.5 and look.blank[sequence.last - 1] < 0.5)  # noqa: PLR2004


def _guess(
    look: Look,
    span: FieldSpan,
    sequences: dict[tuple[int, int], SequenceFacts],
    checks: dict[tuple[int, int], CheckGuess],
    alike: Sequence[FieldSpan],
) -> Guess:
    """Return what the columns of a span are: the first kind, of those that fit, that says most."""
    columns = span.first + 1, span.last + 1
    if look.blank[span.first : span.last + 1].min() >= _NEARLY_BLANK:
        return blank_guess(look, span)
    if look.strange[span.first] > _STRANGE:
        return holes_guess(look, span)
    if columns in sequences:
        return sequence_guess(look, span, sequences[columns])
    if columns in checks:
        return check_guess(look, span, checks[columns])
    if span.date is not None and span.date.sure >= SURE_DATE:
        return date_guess(look, span, span.date)
    guess = number_guess(look, span, alike)
    few = span.width <= _CODE_WIDTH
    one = span.width == 1 and look.distinct(span.first) <= _FEW_DIGITS
    if one or (few and (guess is None or guess.what == "number or name in digits")):
        guess = code_guess(look, span) or guess
    return guess or text_guess(look, span)


def tells_no_type(look: Look, span: FieldSpan) -> bool:
    """Return whether columns hold a date, or a number with sign, point or exponent."""
    if span.date is not None and span.date.sure >= SURE_DATE:
        return True
    guess = number_guess(look, span)
    return guess is not None and guess.what in _NO_CODES

"""Guessed fields: every column of the cards of one type as part of one, with reasons."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from deckwright.examine.guess.borders import Segment, segments
from deckwright.examine.guess.checkfinding import CheckGuess, find_checks, name_of
from deckwright.examine.guess.columns import Look
from deckwright.examine.guess.datefinding import DateGuess, find_dates
from deckwright.examine.guess.measuring import cards_said, failing_of
from deckwright.examine.guess.naming import blank_guess, code_guess, holes_guess, text_guess
from deckwright.examine.guess.numbering import number_guess
from deckwright.examine.guess.pointfinding import find_decimals
from deckwright.examine.guess.sequencewords import sequence_sentence
from deckwright.examine.model import Guess, SequenceFacts
from deckwright.examine.strengths import strength_of
from deckwright.wording import percent

MOST_COLUMNS = 400
"""Columns in which fields are guessed; the rest of longer records is shown by column alone."""

_ENOUGH = 12  # cards, below which nothing is guessed


def guess_fields(look: Look, sequences: Sequence[SequenceFacts]) -> list[Guess]:
    """Return the fields of the cards of one type, by column.

    Args:
        look: the cards.
        sequences: fields of running numbers that were found in the whole deck.
    """
    if look.count < _ENOUGH:
        return []
    taken = np.zeros(look.width, np.bool_)
    taken[MOST_COLUMNS:] = True
    guesses: list[Guess] = []
    for sequence in sequences:
        if not _is_here(look, sequence):
            continue
        guesses.append(_sequence_guess(look, sequence))
        taken[sequence.first - 1 : sequence.last] = True
    for date in find_dates(look, taken):
        guesses.append(_date_guess(look, date))
        taken[date.first - 1 : date.last] = True
    for decimal in find_decimals(look, taken):
        guesses.append(decimal)
        taken[decimal.first - 1 : decimal.last] = True
    checks = find_checks(look, taken)
    for check in checks:
        guesses.append(_check_guess(look, check))
        taken[check.first - 1 : check.last] = True
    for segment in segments(look, taken):
        guesses += _segment_guesses(look, segment)
    return sorted(guesses, key=lambda guess: guess.first)


def _is_here(look: Look, sequence: SequenceFacts) -> bool:
    columns = slice(sequence.first - 1, sequence.last)
    return bool(look.digit[columns].min() > 0.5 and look.blank[sequence.last - 1] < 0.5)  # noqa: PLR2004


def _segment_guesses(look: Look, segment: Segment) -> Iterator[Guess]:
    if segment.nature == "blank":
        yield from blank_guess(look, segment)
    elif segment.nature == "holes":
        yield holes_guess(look, segment)
    elif segment.nature in ("code", "constant"):
        yield code_guess(look, segment)
    elif segment.nature == "number":
        yield number_guess(look, segment)
    else:
        yield text_guess(look, segment)


def _sequence_guess(look: Look, facts: SequenceFacts) -> Guess:
    share = facts.follow / max(1, facts.numbers - 1)
    options: dict[str, object] = {"kind": "digits", "role": "sequence"}
    if (look.columns[facts.first - 1] == 32).any():  # noqa: PLR2004 # blank
        options = {"kind": "whole", "role": "sequence", "fill": " "}
    first, last = facts.first, facts.last
    before = _before_counter(look, first - 2)
    return Guess(
        first=first,
        last=last,
        what="running number",
        strength=strength_of(share, 0.1, facts.numbers),
        share=share,
        chance=0.1,
        sentence=sequence_sentence(facts),
        reasons=("counts up from card to card", *before),
        options=options,
        failing=failing_of(look, first, last, options),
    )


def _before_counter(look: Look, column: int) -> tuple[str, ...]:
    """Say that the column (from 0) before a counter holds one digit, which may belong to it."""
    if column < 0 or look.digit[column] < 1 or look.blank[column]:
        return ()
    value, share = look.top(column)
    if share < 1:
        return ()
    return (f"column {column + 1} before it always holds {chr(value)}, and may be part of it",)


def _date_guess(look: Look, date: DateGuess) -> Guess:
    options: dict[str, object] = {"kind": "date", "form": date.form}
    years = f"{date.years[0]} to {date.years[1]}"
    if date.years[0] == date.years[1]:
        years = f"all in {date.years[0]}"
    sentence = (
        f"{_valid(date.share)} of {cards_said(look, date.first, date.last)} are valid "
        f"{_dates(date.form)} ({date.form}), {years}; {percent(date.chance)} would pass by chance"
    )
    reasons = ["the form fits"]
    if not date.varied:
        reasons = ["the form fits, but days and months hardly differ, so that proves little"]
    reasons += [f"the form {form} fits on {percent(share)}" for form, share in date.other[:2]]
    return Guess(
        first=date.first,
        last=date.last,
        what=f"date {date.form}",
        strength=date.strength,
        share=date.share,
        chance=date.chance,
        sentence=sentence,
        reasons=tuple(reasons),
        options=options,
        failing=failing_of(look, date.first, date.last, options),
        other=date.other,
    )


def _valid(share: float) -> str:
    return "all" if share == 1 else percent(share)


def _dates(form: str) -> str:
    return "dates" if "D" in form else "months"


def _check_guess(look: Look, check: CheckGuess) -> Guess:
    segment = Segment(check.first - 1, check.last - 1, "number", "the check digit holds from here")
    plain = number_guess(look, segment)
    options: dict[str, object] = {"kind": "digits", "check": check.table()}
    sentence = (
        f"the last of its {check.last - check.first + 1} digits is a check digit by "
        f"{name_of(check.scheme)} on {percent(check.share)} of "
        f"{cards_said(look, check.first, check.last)} ({check.numbers:,} different numbers looked "
        f"at); {percent(check.chance)} would pass by chance"
    )
    reasons = tuple(f"{name} holds on {percent(share)} too" for name, share in check.other[:2])
    return replace(
        plain,
        what="number with check digit",
        strength=strength_of(check.share, check.chance, check.numbers),
        share=check.share,
        chance=check.chance,
        sentence=sentence,
        reasons=("a check digit holds", *reasons),
        options=options,
        failing=failing_of(look, check.first, check.last, options),
        other=check.other,
    )

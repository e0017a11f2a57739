"""Guesses that counting bears out: running numbers, dates, numbers with a check digit."""

from __future__ import annotations

from itertools import takewhile

from deckwright.examine.fields.datespans import CERTAIN_DATE, DateSpan
from deckwright.examine.fields.found import FieldSpan
from deckwright.examine.guess.checkfinding import CheckGuess, name_of
from deckwright.examine.guess.columns import BLANK, Look
from deckwright.examine.guess.measuring import cards_said, failing_of
from deckwright.examine.guess.sequencewords import sequence_sentence
from deckwright.examine.model import Guess, SequenceFacts
from deckwright.examine.strengths import Strength, strength_of
from deckwright.wording import percent

_SHORT_DATE = 4  # digits, up to which a form says little


def sequence_guess(look: Look, span: FieldSpan, facts: SequenceFacts) -> Guess:
    """Return a field of running numbers."""
    share = facts.follow / max(1, facts.numbers - 1)
    first, last = span.first + 1, span.last + 1
    options: dict[str, object] = {"kind": "digits", "role": "sequence"}
    if (look.columns[span.first] == BLANK).any():
        options = {"kind": "whole", "role": "sequence", "fill": " "}
    before = _before_counter(look, span.first - 1)
    return Guess(
        first=first,
        last=last,
        what="running number",
        strength=strength_of(span.sure, facts.numbers, "likely" if before else _most_of(facts)),
        share=share,
        chance=0.1,
        sentence=sequence_sentence(facts),
        reasons=("counts up from card to card", *before),
        options=options,
        failing=failing_of(look, first, last, options),
        sure=span.sure,
    )


def _most_of(facts: SequenceFacts) -> Strength:
    """Return the strongest word for a counter: days of sorted dates count up too, with gaps."""
    width = facts.last - facts.first + 1
    ends = zip(f"{facts.start:0{width}}", f"{facts.end:0{width}}", strict=False)
    alike = takewhile(lambda digits: digits[0] == digits[1], ends)
    broken = facts.shuffled or facts.again or facts.unread
    broken = broken or facts.gaps or facts.step_downs or facts.doubles
    # digits that never change may be a field of their own
    return "likely" if broken or any(digit != "0" for digit, _ in alike) else "strong"


def _before_counter(look: Look, column: int) -> tuple[str, ...]:
    """Say that the column (from 0) before a counter holds one digit, which may belong to it."""
    if column < 0 or look.digit[column] < 1 or look.blank[column]:
        return ()
    value, share = look.top(column)
    if share < 1:
        return ()
    return (f"column {column + 1} before it always holds {chr(value)}, and may be part of it",)


def date_guess(look: Look, span: FieldSpan, date: DateSpan) -> Guess:
    """Return a field of dates."""
    first, last = span.first + 1, span.last + 1
    options: dict[str, object] = {"kind": "date", "form": date.form}
    nines = failing_of(look, first, last, options)
    if nines:
        with_nines = {**options, "missing_values": ["9" * span.width]}
        if failing_of(look, first, last, with_nines) < nines:
            options = with_nines
    years = f"{date.years[0]} to {date.years[1]}"
    if date.years[0] == date.years[1]:
        years = f"all in {date.years[0]}"
    what = "dates" if "D" in date.form else "months"
    share = "all" if date.share == 1 else percent(date.share)
    sentence = (
        f"{share} of {date.numbers:,} different texts on {cards_said(look, first, last)} are valid "
        f"{what} ({date.form}), {years}; with each column shuffled by itself "
        f"{percent(date.chance)} would be"
    )
    reasons = ["the form fits"]
    if date.sure < CERTAIN_DATE:
        reasons = ["the form fits, but these columns hold little else that could not be a date"]
    reasons += [f"the form {form} fits on {percent(part)}" for form, part in date.other[:2]]
    return Guess(
        first=first,
        last=last,
        what=f"date {date.form}",
        strength=strength_of(span.sure, look.count, _most(date)),
        share=date.share,
        chance=date.chance,
        sentence=sentence,
        reasons=tuple(reasons),
        options=options,
        failing=failing_of(look, first, last, options),
        other=date.other,
        sure=span.sure,
    )


def _most(date: DateSpan) -> Strength:
    short = sum(character.isalpha() for character in date.form) <= _SHORT_DATE
    rivals = any(share >= date.share - 0.01 for _, share in date.other)
    return "possible" if short or rivals or date.sure < CERTAIN_DATE else "strong"


def check_guess(look: Look, span: FieldSpan, check: CheckGuess) -> Guess:
    """Return a number with a check digit."""
    first, last = span.first + 1, span.last + 1
    options: dict[str, object] = {"kind": "digits", "check": check.table()}
    sentence = (
        f"the last of its {span.width} digits is a check digit by "
        f"{name_of(check.scheme)} on {percent(check.share)} of "
        f"{cards_said(look, first, last)} ({check.numbers:,} different numbers looked "
        f"at); {percent(check.chance)} would pass by chance"
    )
    also = tuple(f"{name} holds on {percent(share)} too" for name, share in check.other[:2])
    return Guess(
        first=first,
        last=last,
        what="number with check digit",
        strength=strength_of(span.sure, check.numbers, "likely" if also else "strong"),
        share=check.share,
        chance=check.chance,
        sentence=sentence,
        reasons=("a check digit holds", *also),
        options=options,
        failing=failing_of(look, first, last, options),
        other=check.other,
        sure=span.sure,
    )

"""The control sheet's section on the code: which one read the deck, and what the next would say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from deckwright.report.codereading import CodePair, CodeReading
from deckwright.wording import plural

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


@dataclass(frozen=True, slots=True)
class CodeView:
    """What the section says. warning: what a person must look at, empty where nothing."""

    code: str
    warning: str
    read: str
    alike: str
    runner_up: str
    differs: str
    pairs: Sequence[CodePair]
    left: int


def code_view(reading: CodeReading | None) -> CodeView | None:
    """Return what the section says; None where no code was compared."""
    if reading is None:
        return None
    left = reading.cells - sum(pair.cells for pair in reading.pairs)
    listed = bool(reading.next and reading.pairs)
    return CodeView(
        reading.code,
        _warning(reading),
        _read(reading),
        _alike(reading.alike),
        reading.next,
        _differs(reading),
        reading.pairs if listed else (),
        left if listed else 0,
    )


def _warning(reading: CodeReading) -> str:
    if reading.sure or not reading.next:
        return ""
    if reading.worse:
        return f"{reading.next} fits these cards better than {reading.code}, which the job names."
    return f"These cards do not tell whether {reading.code} or {reading.next} is right."


def _read(reading: CodeReading) -> str:
    sentence = reading.sentence[:1].upper() + reading.sentence[1:]
    parts = f" Several codes: {'; '.join(reading.parts)}." if reading.parts else ""
    which = "all" if reading.all_cards else "the first"
    return f"{sentence}. Looked at: {which} {plural(reading.looked_at, 'card')}.{parts}"


def _alike(names: Sequence[str]) -> str:
    if not names:
        return ""
    number = _NUMBERS[len(names)] if len(names) < len(_NUMBERS) else f"{len(names)}"
    many = "code gives" if len(names) == 1 else "codes give"
    return f"{number.capitalize()} other {many} the same text: {', '.join(names)}."


def _differs(reading: CodeReading) -> str:
    if not reading.next:
        return "No other likely code would change a single character."
    scores = f"{reading.score:.3f} and {reading.next_score:.3f} of 1"
    return (
        f"(scores {scores}, margin {reading.margin:+.3f}). It would change "
        f"{plural(reading.cells, 'character')} on {plural(reading.cards, 'card')}:"
    )

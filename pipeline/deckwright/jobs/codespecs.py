"""Models of codes by column, and what is wrong with codes as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydantic import Field

from deckwright.jobs.fieldspecs import ColumnsModel
from deckwright.jobs.layouts import ConditionSpec
from deckwright.wording import plural

__all__ = ["CodeRangeSpec", "range_problems"]


class CodeRangeSpec(ColumnsModel):
    """Columns that another machine punched."""

    code: str
    """The code of these columns."""
    when: list[ConditionSpec] = Field(default_factory=list)
    """Conditions that must all hold for a card to be in this code; left out: every card is."""


def range_problems(ranges: Sequence[CodeRangeSpec], width: int) -> Iterator[str]:
    """Yield what is wrong with the codes by column of a medium; width: 0 where not known."""
    for index, one in enumerate(ranges):
        if width and one.span[1] > width:
            yield f"codes: columns {one.columns} end beyond the {width} columns of a card"
        for other in ranges[:index]:
            if _meet(one.span, other.span) and not (one.when and other.when):
                yield (
                    f"codes: columns {one.columns} and {other.columns} overlap, so it is not clear "
                    "which code counts; both need 'when', or columns of their own"
                )
        for condition in one.when:
            yield from _condition_problems(condition, one, ranges)


def _condition_problems(
    condition: ConditionSpec, one: CodeRangeSpec, ranges: Sequence[CodeRangeSpec]
) -> Iterator[str]:
    if bool(condition.is_) == bool(condition.not_):
        yield f"codes: the condition on columns {condition.columns} needs either 'is' or 'not'"
    for text in (*condition.is_, *condition.not_):
        if not text.isascii():
            yield f"codes: {text!r} holds a character that is not ASCII"
        if len(text) != condition.width:
            yield (
                f"codes: {text!r} should be {plural(condition.width, 'character')} long, as "
                f"columns {condition.columns} are"
            )
    for other in ranges:
        if other.when and _meet(condition.span, other.span):
            yield (
                f"codes: columns {condition.columns} tell which cards are in code {one.code!r}, so "
                f"they cannot be among columns {other.columns} that are in another code on some "
                "cards"
            )


def _meet(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return one[0] <= other[1] and other[0] <= one[1]

"""Codes by column: from what a medium's options and a layout's fields say to how cards are read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.codetable import CodePart, CodeTable, UnfitCodeError
from deckwright.jobs.codespecs import CodeRangeSpec, range_problems
from deckwright.jobs.layouts import CardSpec, ConditionSpec
from deckwright.layout.cardtypes import card_types, meets
from deckwright.layout.reading import Layout
from deckwright.plugin.media import Medium
from deckwright.plugin.parted import PartedMedium, innermost
from deckwright.plugin.stages import Known, OptionProblem

Bytes = NDArray[np.uint8]
FindCode = Callable[[str], CodeTable]


@dataclass(frozen=True, slots=True)
class _Meeting:
    """Cards that meet all of some conditions."""

    conditions: tuple[ConditionSpec, ...]

    def __call__(self, text: Bytes) -> NDArray[np.bool_]:
        return meets(text, self.conditions)


@dataclass(frozen=True, slots=True)
class _OfType:
    """Cards of one type of a layout. A wholly blank card is of none: it is blank in any code."""

    cards: tuple[CardSpec, ...]
    place: int

    def __call__(self, text: Bytes) -> NDArray[np.bool_]:
        own = [card for card in self.cards if not card.blank]
        types = card_types(text, own)
        return np.asarray(types == own.index(self.cards[self.place]))


def in_codes(medium: Medium[Any], ranges: Sequence[CodeRangeSpec], code: FindCode) -> Medium[Any]:
    """Return a medium that reads some columns in codes of their own.

    Raises:
        OptionProblem: the ranges are not clear, or a code is not there.
        UnfitCodeError: the medium cannot hold a code.
    """
    if innermost(medium) is not medium:
        what = "'codes' belongs to the medium that lies inside; write it in the table 'inside'"
        raise OptionProblem(what)
    length = getattr(medium.config, "record_length", 0)
    for what in range_problems(ranges, length if isinstance(length, int) else 0):
        raise OptionProblem(what)
    parts = [
        CodePart(*one.span, code(one.code), _Meeting(tuple(one.when)) if one.when else None)
        for one in ranges
    ]
    return PartedMedium(medium, parts)


def with_field_codes(known: Known, layout: Layout, code: FindCode) -> Known:
    """Return what is known of cards once columns of fields are read in the fields' own codes.

    Raises:
        OptionProblem: that cannot be.
    """
    coded = layout.coded_fields()
    if not coded or known.medium is None:
        return known
    name = coded[0][1].name
    if known.punched_anew:
        what = (
            f"field {name!r} of layout {layout.name!r} has a code, but these cards were punched "
            "anew before, in the code of the deck"
        )
        raise OptionProblem(what, "layout")
    telling = [condition.span for card in layout.spec.card for condition in card.when]
    for part in known.medium.code.parts:
        _must_be_apart(part, telling, f"layout {layout.name!r}")
    new = [part for part in _parts(layout, code) if not _has(known.medium, part, layout)]
    if not new:
        return known
    try:
        medium = PartedMedium(known.medium, new)
    except UnfitCodeError as error:
        what = f"layout {layout.name!r}: {error}"
        raise OptionProblem(what, "layout") from error
    return replace(known, medium=medium, code=medium.code)


def must_be_without_codes(layout: Layout, what: str) -> None:
    """Refuse a layout whose fields have codes where these would say nothing.

    Args:
        layout: the layout.
        what: what it is for, such as `a new card`.

    Raises:
        OptionProblem: a field has a code.
    """
    for _, spec in layout.coded_fields():
        said = (
            f"field {spec.name!r} of layout {layout.name!r} has a code; {what} is written in the "
            "code of its medium, so take it out"
        )
        raise OptionProblem(said, "layout")


def _parts(layout: Layout, code: FindCode) -> list[CodePart]:
    """Return the parts of a layout; fields side by side in one code are one part."""
    several = tuple(layout.spec.card)
    parts: list[CodePart] = []
    for place, spec in layout.coded_fields():
        cards = _OfType(several, place) if several else None
        part = CodePart(*spec.span, code(spec.code), cards)
        before = parts[-1] if parts else None
        if before and (before.last + 1, before.code, before.cards) == (
            part.first,
            part.code,
            cards,
        ):
            parts[-1] = replace(part, first=before.first)
        elif not any(_same(part, other) for other in parts):
            parts.append(part)
    return parts


def _must_be_apart(part: CodePart, telling: Sequence[tuple[int, int]], whose: str) -> None:
    """Refuse columns that tell cards apart and are in another code on some cards only."""
    met = [span for span in telling if span[0] <= part.last and part.first <= span[1]]
    if part.cards is not None and met and not isinstance(part.cards, _OfType):
        what = (
            f"{whose}: columns {met[0][0]}-{met[0][1]} tell the card types, and the medium reads "
            f"columns {part.first}-{part.last} in code {part.code.name!r} on some cards only"
        )
        raise OptionProblem(what, "layout")


def _same(one: CodePart, other: CodePart) -> bool:
    return (one.first, one.last, one.code, one.cards) == (
        other.first, other.last, other.code, other.cards,
    )  # fmt: skip


def _never_both(one: CodePart, other: CodePart) -> bool:
    """Return whether no card can be on both: they are of two types of one layout."""
    return (
        isinstance(one.cards, _OfType)
        and isinstance(other.cards, _OfType)
        and one.cards.cards == other.cards.cards
        and one.cards.place != other.cards.place
    )


def _has(medium: Medium[Any], part: CodePart, layout: Layout) -> bool:
    """Return whether a medium reads a part so already.

    Raises:
        OptionProblem: it reads its columns otherwise.
    """
    parts = medium.parts if isinstance(medium, PartedMedium) else medium.code.parts
    for other in parts:
        if _same(part, other):
            return True
        meet = other.first <= part.last and part.first <= other.last
        if meet and not _never_both(part, other):
            what = (
                f"layout {layout.name!r}: columns {part.first}-{part.last} are to be read in code "
                f"{part.code.name!r}, and are read in {other.code.name!r} already; take one out"
            )
            raise OptionProblem(what, "layout")
    if isinstance(medium, PartedMedium) or not medium.code.parts:
        return False
    what = (
        f"layout {layout.name!r}: fields with codes and a wrapped medium with 'codes' cannot go "
        "together; write all codes in the medium's table"
    )
    raise OptionProblem(what, "layout")

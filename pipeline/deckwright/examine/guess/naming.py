"""Guesses of columns that are no numbers: not used, codes, constants, texts, holes."""

from __future__ import annotations

import numpy as np

from deckwright.examine.fields.found import FieldSpan
from deckwright.examine.guess.columns import BLANK, Look
from deckwright.examine.guess.measuring import cards_said, failing_of, filled_cards, shown
from deckwright.examine.model import Guess
from deckwright.examine.strengths import Strength, strength_of
from deckwright.wording import percent, plural

_MOST_CHOICES = 24
_RARE = 0.0005
_MOSTLY = 0.7
_FAILS = 0.05
_LISTED = 6
_CODE_WIDTH = 2  # columns, up to which digits are a code as often as a number
_COVERED = 0.95  # of the cards, that the values of a code must make up
_CARDS_EACH = 4  # cards that a value must have on the average for the values to be a list


def blank_guess(look: Look, span: FieldSpan) -> Guess:
    """Return columns that are not used, or a text where some cards are punched there."""
    first, last = span.first + 1, span.last + 1
    punched = filled_cards(look, first, last)
    share = 1 - punched / look.count
    said = f"blank on {percent(share)} of {look.count:,} cards"
    if punched:
        said += f"; {plural(punched, 'card is', 'cards are')} punched here all the same"
    return Guess(
        first=first,
        last=last,
        what="not used",
        strength="possible" if punched else "holds" if look.whole else "strong",
        share=share,
        chance=0.0,
        sentence=said,
        options={"kind": "text"} if punched else {},
        sure=span.sure,
    )


def holes_guess(look: Look, span: FieldSpan) -> Guess:
    """Return a column whose holes are no characters: a multi-punch."""
    share = float(look.strange[span.first])
    column = span.first + 1
    return Guess(
        first=column,
        last=column,
        what="multi-punch",
        strength=strength_of(span.sure, look.count, "likely"),
        share=share,
        chance=0.0,
        sentence=(
            f"on {percent(share)} of {look.count:,} cards the holes are no printing character, "
            "as where each row means something by itself"
        ),
        reasons=("a code may be wrong instead, if many columns are so",),
        options={"kind": "holes"},
        sure=span.sure,
    )


def code_guess(look: Look, span: FieldSpan) -> Guess | None:
    """Return a field of a few values, or of one; None where they are too many."""
    first, last = span.first + 1, span.last + 1
    rows = np.ascontiguousarray(look.columns[span.first : span.last + 1].T)
    filled = (rows != BLANK).any(axis=1)
    keys, counts = np.unique(rows[filled].view(f"V{rows.shape[1]}"), return_counts=True)
    order = np.argsort(-counts, kind="stable")
    total = max(1, int(counts.sum()))
    values = [(keys[place].tobytes(), int(counts[place])) for place in order]
    often = [one for one in values if one[1] > max(1, _RARE * total)] or values[:1]
    many = len(often) > 1 and len(often) * _CARDS_EACH > total
    if len(often) > _MOST_CHOICES or many or not _printable([value for value, _ in often]):
        return None
    covered = sum(count for _, count in often) / total
    if covered < _COVERED:
        return None
    options: dict[str, object] = {
        "kind": "choice",
        "choices": [value.decode("latin-1") for value, _ in sorted(often)],
    }
    failing = failing_of(look, first, last, options)
    listed = ", ".join(f"{shown(value)!r} {count:,}" for value, count in often[:_LISTED])
    more = f" and {len(often) - _LISTED} more" if len(often) > _LISTED else ""
    if len(often) == 1:
        what, said = "constant", f"{shown(often[0][0])!r} on {percent(covered)} of"
        said = f"{said} {cards_said(look, first, last)}"
    else:
        what = "code"
        said = (
            f"{len(often)} values make up {percent(covered)} of "
            f"{cards_said(look, first, last)}: {listed}{more}"
        )
    # where all is one value, nothing tells where it ends; many that are numbers are no list
    numbers = sum(value.strip(b" ").isdigit() for value, _ in often)
    many = span.width > _CODE_WIDTH and numbers > len(often) / 2
    most: Strength = "possible" if many else "likely" if len(often) == 1 else "strong"
    return Guess(
        first=first,
        last=last,
        what=what,
        strength=strength_of(span.sure, total, most),
        share=covered,
        chance=0.0,
        sentence=said,
        options=options if failing < _FAILS else {"kind": "text"},
        failing=failing if failing < _FAILS else 0.0,
        sure=span.sure,
    )


def text_guess(look: Look, span: FieldSpan) -> Guess:
    """Return a text."""
    first, last = span.first + 1, span.last + 1
    cells = look.columns[span.first : span.last + 1]
    filled = (cells != BLANK).any(axis=0)
    total = max(1, int(filled.sum()))
    left = float((cells[0] != BLANK)[filled].sum() / total)
    right = float((cells[-1] != BLANK)[filled].sum() / total)
    columns = slice(span.first, span.last + 1)
    weights = 1 - look.blank[columns]
    whole = max(1e-9, float(weights.sum()))
    letters = float((look.letter[columns] * weights).sum() / whole)
    digits = float((look.digit[columns] * weights).sum() / whole)
    others = max(0.0, 1 - letters - digits)
    said = (
        f"{percent(letters)} letters, {percent(digits)} digits, {percent(others)} other signs on "
        f"{cards_said(look, first, last)}; {percent(left)} begin in its first column, "
        f"{percent(right)} reach its last"
    )
    # what is mostly digits is something else that was not understood
    most: Strength = "possible" if digits > _MOSTLY else "strong"
    return Guess(
        first=first,
        last=last,
        what="text",
        strength=strength_of(span.sure, total, most),
        share=left,
        chance=0.0,
        sentence=said,
        options={"kind": "text"},
        sure=span.sure,
    )


def _printable(values: list[bytes]) -> bool:
    return all(value.decode("latin-1").isprintable() for value in values)

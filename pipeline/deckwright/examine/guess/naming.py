"""Guesses of columns that are no numbers: not used, codes, constants, texts, holes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from deckwright.examine.guess.borders import Segment
from deckwright.examine.guess.columns import BLANK, Look
from deckwright.examine.guess.measuring import cards_said, failing_of, filled_cards, shown
from deckwright.examine.model import Guess
from deckwright.examine.strengths import strength_of
from deckwright.wording import percent, plural

_MOST_CHOICES = 24
_RARE = 0.0005
_FAILS = 0.05


def blank_guess(look: Look, segment: Segment) -> Iterator[Guess]:
    """Yield columns that are not used, and a text where some cards are punched there."""
    first, last = segment.first + 1, segment.last + 1
    punched = filled_cards(look, first, last)
    share = 1 - punched / look.count
    options: dict[str, object] = {"kind": "text"} if punched else {}
    said = f"blank on {percent(share)} of {look.count:,} cards"
    if punched:
        said += f"; {plural(punched, 'card is', 'cards are')} punched here all the same"
    yield Guess(
        first=first,
        last=last,
        what="not used",
        strength=strength_of(share, 0.0, look.count),
        share=share,
        chance=0.0,
        sentence=said,
        options=options,
    )


def holes_guess(look: Look, segment: Segment) -> Guess:
    """Return a column whose holes are no characters: a multi-punch."""
    share = float(look.strange[segment.first])
    column = segment.first + 1
    return Guess(
        first=column,
        last=column,
        what="multi-punch",
        strength=strength_of(1.0, 0.0, look.count, "likely"),
        share=share,
        chance=0.0,
        sentence=(
            f"on {percent(share)} of {look.count:,} cards the holes are no printing character, "
            "as where each row means something by itself"
        ),
        reasons=("a code may be wrong instead, if many columns are so",),
        options={"kind": "holes"},
    )


def code_guess(look: Look, segment: Segment) -> Guess:
    """Return a field of a few values, or of one."""
    first, last = segment.first + 1, segment.last + 1
    rows = np.ascontiguousarray(look.columns[segment.first : segment.last + 1].T)
    filled = (rows != BLANK).any(axis=1)
    keys, counts = np.unique(rows[filled].view(f"V{rows.shape[1]}"), return_counts=True)
    order = np.argsort(-counts, kind="stable")
    total = max(1, int(counts.sum()))
    values = [(keys[place].tobytes(), int(counts[place])) for place in order]
    often = [one for one in values if one[1] > max(1, _RARE * total)] or values[:1]
    if len(often) > _MOST_CHOICES or not _printable([value for value, _ in often]):
        return text_guess(look, segment)
    covered = sum(count for _, count in often) / total
    options: dict[str, object] = {
        "kind": "choice",
        "choices": [value.decode("latin-1") for value, _ in sorted(often)],
    }
    failing = failing_of(look, first, last, options)
    listed = ", ".join(f"{shown(value)!r} {count:,}" for value, count in often[:6])
    more = f" and {len(often) - 6} more" if len(often) > 6 else ""  # noqa: PLR2004 # as listed
    if len(often) == 1:
        what, said = "constant", f"{shown(often[0][0])!r} on {percent(covered)} of"
        said = f"{said} {cards_said(look, first, last)}"
    else:
        what = "code"
        said = (
            f"{len(often)} values make up {percent(covered)} of "
            f"{cards_said(look, first, last)}: {listed}{more}"
        )
    reasons = (f"begins in column {first}: {segment.why}",) if segment.why else ()
    return Guess(
        first=first,
        last=last,
        what=what,
        strength=strength_of(covered, 0.0, total, "strong"),
        share=covered,
        chance=0.0,
        sentence=said,
        reasons=reasons,
        options=options if failing < _FAILS else {"kind": "text"},
        failing=failing if failing < _FAILS else 0.0,
    )


def text_guess(look: Look, segment: Segment) -> Guess:
    """Return a text."""
    first, last = segment.first + 1, segment.last + 1
    cells = look.columns[segment.first : segment.last + 1]
    filled = (cells != BLANK).any(axis=0)
    total = max(1, int(filled.sum()))
    left = float((cells[0] != BLANK)[filled].sum() / total)
    right = float((cells[-1] != BLANK)[filled].sum() / total)
    columns = slice(segment.first, segment.last + 1)
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
    width = last - first + 1
    share = left if width > 1 else letters
    justified = left > right or width == 1
    return Guess(
        first=first,
        last=last,
        what="text",
        strength=strength_of(
            share if justified else 0.0, 0.0, total, "likely" if segment.why else "strong"
        ),
        share=share,
        chance=0.0,
        sentence=said,
        reasons=(f"begins in column {first}: {segment.why}",) if segment.why else (),
        options={"kind": "text"},
    )


def _printable(values: list[bytes]) -> bool:
    return all(value.decode("latin-1").isprintable() for value in values)

"""Guesses of numbers: shape, width, sign, leading zeros or blanks, point, exponent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deckwright.examine.fields.found import FieldSpan
from deckwright.examine.fields.signs import SIGNS, shares_of, sign_table
from deckwright.examine.guess.columns import BLANK, ZERO, Look
from deckwright.examine.guess.exponents import exponent_options
from deckwright.examine.guess.measuring import cards_said, failing_of
from deckwright.examine.model import Guess
from deckwright.examine.strengths import Strength, strength_of
from deckwright.layout.overpunch import DIGIT, MINUS, NO_DIGIT, PLUS, ZONES
from deckwright.wording import percent

_MOST_DIGITS = 18
_FITS = 0.95
_FAILS = 0.05
_SOME = 0.005
_UNEVEN = 1.6  # a number's first column holds zero so many times oftener than one in ten
_UNDER_ZONES = 3  # different digits, that must stand under zones for these to be signs
_CARDS = 4_000
_HALF = 0.5
_POINT, _EXPONENT = SIGNS.index("point"), SIGNS.index("exponent")
_PLUS, _MINUS = SIGNS.index("plus"), SIGNS.index("minus")
_NINE = ord("9")


@dataclass(frozen=True, slots=True)
class _Cells:
    """Filled texts of a span: cells and signs uint8 (w, n), and shares of them by shape.

    nines: share that are nines all through, and more of them than chance would have. looked_at:
    cards that they come from.
    """

    cells: NDArray[np.uint8]
    signs: NDArray[np.uint8]
    shares: dict[str, float]
    filled: int
    nines: float
    looked_at: int

    def with_sign(self, *signs: int) -> float:
        """Return the share of texts that hold one of some signs."""
        return float(np.isin(self.signs, signs).any(axis=0).mean())


def number_guess(look: Look, span: FieldSpan, alike: Sequence[FieldSpan] = ()) -> Guess | None:
    """Return a number in these columns; None where hardly all of them are numbers.

    Args:
        look: the cards.
        span: the columns.
        alike: further fields of the same width: a zone over digits means there what it means here.
    """
    held = _held(look, span)
    if not held.filled:
        return None
    for what, options, most in _readings(held, span.width, _ends(look, alike)):
        first, last = span.first + 1, span.last + 1
        if held.nines:
            options["missing_values"] = ["9" * span.width]
        failing = failing_of(look, first, last, options)
        if failing >= _FAILS:
            continue
        return Guess(
            first=first,
            last=last,
            what=what,
            strength=strength_of(span.sure, held.filled, most),
            share=1 - failing,
            chance=0.1,
            sentence=_sentence(look, span, held),
            options=options,
            failing=failing,
            sure=span.sure,
        )
    return None


def _texts(look: Look, span: FieldSpan) -> NDArray[np.uint8]:
    """Return the filled texts of a span, uint8 (w, n), of some cards from all across."""
    cells = look.columns[span.first : span.last + 1]
    if cells.shape[1] > _CARDS:
        cells = cells[:, np.linspace(0, cells.shape[1] - 1, _CARDS).astype(int)]
    return cells[:, (cells != BLANK).any(axis=0)]


def _held(look: Look, span: FieldSpan) -> _Cells:
    cells = _texts(look, span)
    nines = (cells == _NINE).all(axis=0)
    share = float(nines.mean()) if nines.size else 0.0
    chance = float(np.prod((cells == _NINE).mean(axis=1))) if nines.size else 0.0
    marked = span.width > 1 and share > max(2 * chance, _SOME)
    if marked:
        cells = cells[:, ~nines]
    signs = sign_table(look.kinds)[cells]
    return _Cells(
        cells, signs, shares_of(signs), cells.shape[1], share if marked else 0.0, look.count
    )


def _ends(look: Look, spans: Sequence[FieldSpan]) -> NDArray[np.uint8]:
    """Return what stands at both ends of fields, uint8 (2, k), of those that are mostly digits."""
    found = [np.zeros((2, 0), np.uint8)]
    for span in spans:
        cells = _texts(look, span)
        digits = (cells >= ZERO) & (cells <= _NINE)
        if cells.size and digits.mean() >= _HALF:
            found.append(cells[[0, -1]])
    return np.concatenate(found, axis=1)


def _readings(
    held: _Cells, width: int, ends: NDArray[np.uint8]
) -> list[tuple[str, dict[str, object], Strength]]:
    """Return what the texts may be: words, options of a layout, and the strongest word for it."""
    found: list[tuple[str, dict[str, object], Strength]] = []
    leading_blank = float((held.cells[0] == BLANK).mean())
    fill: dict[str, object] = {"fill": " "} if leading_blank > 0 else {}
    both = held.with_sign(_PLUS, _MINUS)
    sign: dict[str, object] = {"sign": "leading"} if both else {}
    if held.shares["whole"] >= _FITS and width <= _MOST_DIGITS:
        if sign:
            found.append(("signed number", {"kind": "whole", **sign, **fill}, "strong"))
        elif fill:
            found.append(("whole number", {"kind": "whole", **fill}, "strong"))
        else:
            found.append(_digits(held, width))
    elif held.shares["whole"] >= _FITS and not sign:
        found.append(("number or name in digits", {"kind": "digits", **fill}, "strong"))
    if held.shares["point"] >= _FITS and held.with_sign(_POINT) > _FITS:
        options = {"kind": "decimal", "decimals": _behind(held), "point": "punched"}
        found.append(("decimal number", {**options, **sign, **fill}, "strong"))
    # digits, a sign and digits again may be two numbers with their signs behind them
    plain = max(held.with_sign(_EXPONENT), held.with_sign(_POINT)) >= _FITS
    if held.shares["exponent"] >= _FITS and plain:
        exact = exponent_options(held.cells, held.looked_at)
        if exact is not None:
            found.append(("number with exponent", exact, "strong"))
        found.append(("number with exponent", {"kind": "text"}, "strong"))
    zoned = _zoned(held, width, fill, ends)
    with_zones = max(held.shares["zone behind"], held.shares["zone before"])
    # where some have a zone, the field has; what fits fewer cards comes after
    found = [*zoned, *found] if with_zones > held.shares["whole"] else [*found, *zoned]
    if held.shares["left"] >= _FITS and held.shares["whole"] < _FITS and not sign:
        options = {"kind": "digits", "justify": "left", "fill": " "}
        found.append(("number or name in digits", options, "likely"))
    return found


def _digits(held: _Cells, width: int) -> tuple[str, dict[str, object], Strength]:
    leading_zero = float((held.cells[0] == ZERO).mean())
    if leading_zero < _UNEVEN / 10 and width > 2:  # noqa: PLR2004
        return "number or name in digits", {"kind": "digits"}, "strong"
    # nothing tells a number filled with zeros from a code, a month and day, a part of a year
    return "whole number", {"kind": "whole"}, "possible"


def _behind(held: _Cells) -> int:
    """Return the most digits that stand behind a point."""
    points = held.signs == _POINT
    behind = np.logical_or.accumulate(points, axis=0) & ~points & (held.cells != BLANK)
    return int(np.percentile(behind.sum(axis=0), 99.5, method="higher"))


def _zoned(
    held: _Cells, width: int, fill: dict[str, object], ends: NDArray[np.uint8]
) -> list[tuple[str, dict[str, object], Strength]]:
    """Return signed numbers, where zones stand over several digits and plain digits there too."""
    found: list[tuple[str, dict[str, object], Strength]] = []
    if width < 2 or width > _MOST_DIGITS:  # noqa: PLR2004 # letters may be a code
        return found
    for shape, place, side in (("zone behind", -1, "right"), ("zone before", 0, "left")):
        zones = ZONES[np.concatenate([held.cells[place], ends[place]])]
        zones = zones[zones != NO_DIGIT]
        over = (zones & (PLUS | MINUS)) > 0
        under = len(np.unique(zones[over] & DIGIT))
        both = bool((zones & PLUS).any() and (zones & MINUS).any())
        plain = len(np.unique(zones[~over]))
        # letters alone are letters, unless both zones stand over the digits evenly
        signs = under >= _UNDER_ZONES and (plain >= _UNDER_ZONES or (both and under == 10))  # noqa: PLR2004
        if held.shares[shape] >= _FITS and signs:
            options: dict[str, object] = {"kind": "whole", "sign": f"overpunch-{side}", **fill}
            found.append(("signed or flagged number", options, "likely"))
    return found


def _sentence(look: Look, span: FieldSpan, held: _Cells) -> str:
    cards = cards_said(look, span.first + 1, span.last + 1)
    parts = [f"numbers on {percent(max(held.shares.values()))} of {cards}"]
    minus, plus = held.with_sign(_MINUS), held.with_sign(_PLUS)
    if minus or plus:
        parts.append(f"a minus on {percent(minus)}, a plus on {percent(plus)}")
    zones = ZONES[held.cells[[0, -1]]]
    over = (zones != NO_DIGIT) & ((zones & (PLUS | MINUS)) > 0)
    if over.any():
        parts.append(f"a zone over a digit on {percent(float(over.any(axis=0).mean()))}")
    if held.nines:
        parts.append(f"{percent(held.nines)} hold nines all through, as where there is no value")
    blank = float((held.cells[0] == BLANK).mean())
    if blank:
        parts.append(f"{percent(blank)} begin with blanks")
    if span.width > 1:
        parts.append(f"{percent(float((held.cells[0] == ZERO).mean()))} begin with 0")
    return "; ".join(parts)

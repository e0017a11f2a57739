"""Whether a claim about columns is right, judged against the fields that are known.

A claim names columns, a meaning and, by its proposal, what would be delivered. It is judged against
each type of card that makes up a twentieth or more of the cards it speaks of, on the cards without
a fault, and gets the worst verdict of these types. Columns that are blank on all these cards may
belong to a field or not, which nobody can see; so may zeros before a number that stand on all of
them, and the century of years that all have the same. Within these bounds a claim whose columns are
those of a field is one of:

exact
    the columns are those of the field, and the meaning is its meaning
equivalent
    the meaning is right; columns that nobody can tell are on the other side
unspecific
    the columns are right, and what would be delivered is the text or number that stands there, but
    less is said than could be: text where there is a number, digits where there is a date, a code
    where there is a number without sign, a whole number where there is a code without zeros
    before it, a running number of what is not meant to run and does

All three are right. Besides these a claim is

part
    within one field, and nothing false is said: text, code, digits, a constant or a piece of a
    date of the right form in some of its columns; whole numbers in some columns of an identifier,
    a code, a date; a running number in columns that do run
wrong
    all else: columns of several fields; a number that lacks a digit, its sign or its exponent on
    any card; a sign, date, time, exponent, running number that is none; a date of another form; a
    whole number of what has zeros before it and is no number; "not used" or "constant" of columns
    that are not; text and code are wrong only where they reach over several fields, and a code
    also of what is a date, time, running number, or a number with sign, point or exponent

Constant is said of the cards that are not blank in these columns.

Two things are no fault: a number with its check digit may be claimed whole or without the digit,
and years, months and days that lie side by side as fields of their own may be claimed as the date
that they are. Columns with several holes may be claimed together.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .asking import Claim
from .model import BLANK, QUANTITIES, CardType, Cells, Deck, Field, Form, Patterns

RIGHT = ("exact", "equivalent", "unspecific")
ORDER = ("exact", "equivalent", "unspecific", "part", "wrong")
PARTS = {"year": ("YYYY", "YY"), "month": ("MM",), "day": ("DD", "DDD"), "hour": ("HH",)}
PARTS["minute"] = ("MM",)
NO_CODE = ("date", "time", "sequence", "point", "exponent")


@dataclass(frozen=True, slots=True)
class Known:
    """The cards without a fault of one type, to judge claims against."""

    kind: CardType
    cards: NDArray[np.int64]
    text: Cells
    holes: Patterns
    deck: Cells

    @classmethod
    def of(cls, deck: Deck, kind: CardType, among: NDArray[np.int64] | None = None) -> Known:
        """The cards of a type, all of them or those that are among some."""
        cards = np.setdiff1d(kind.cards, np.array(deck.truth.faulty, np.int64))
        if among is not None:
            cards = np.intersect1d(cards, among)
        return cls(kind, cards, deck.text[cards], deck.holes[cards], deck.text)

    def used(self, first: int, last: int) -> NDArray[np.bool_]:
        """Which of the columns have a hole on any card."""
        return np.asarray(self.holes[:, first - 1 : last].any(axis=0))

    def constant(self, first: int, last: int) -> bool:
        """Whether all cards are alike in these columns that are not blank there."""
        part = self.holes[:, first - 1 : last]
        part = part[part.any(axis=1)]
        return bool((part == part[:1]).all())

    def texts(self, first: int, last: int) -> list[str]:
        """What stands in these columns, without the cards on which they are blank."""
        part = self.text[:, first - 1 : last]
        found = {row.tobytes().decode("ascii") for row in part}
        return [text for text in found if text.strip()]

    def occupied(self, field: Field) -> tuple[int, int]:
        """The first and last column of a field with a hole on any card; (0, 0) for none."""
        used = np.flatnonzero(self.used(field.first, field.last))
        if not len(used):
            return 0, 0
        return field.first + int(used[0]), field.first + int(used[-1])

    def core(self, field: Field) -> int:
        """The first column of a number that is not always a blank or always a zero."""
        first, last = self.occupied(field)
        while first < last and self._always_nothing(first):
            first += 1
        return first

    def _always_nothing(self, column: int) -> bool:
        return set(np.unique(self.text[:, column - 1]).tolist()) <= {BLANK, 48}

    def runs(self, first: int, last: int) -> bool:
        """Whether numbers here follow each other, on nine of ten cards of the type or deck."""
        return any(_runs(text[:, first - 1 : last]) for text in (self.text, self.deck))


def _runs(cells: Cells) -> bool:
    texts = [row.tobytes().decode("ascii") for row in cells]
    numbers = np.array([int(text) for text in texts if text.strip().isdigit()])
    if len(numbers) < max(3, 0.9 * len(texts)):
        return False
    steps = np.diff(numbers)
    step = np.median(steps)
    return bool(step != 0 and (steps == step).mean() >= 0.9)


def verdict(claim: Claim, known: Known) -> str:
    """Judge a claim against one type of card; empty where these cards have nothing there."""
    used = known.used(claim.first, min(claim.last, known.text.shape[1]))
    if claim.kind == "not used":
        return "wrong" if used.any() else "exact"
    touched = [
        field
        for field in known.kind.fields
        if field.first <= claim.last
        and claim.first <= field.last
        and known.used(max(field.first, claim.first), min(field.last, claim.last)).any()
    ]
    if not touched:
        return ""
    if len(touched) > 1:
        return _over_several(claim, touched, known)
    found = [_of_one(claim, field, known) for field in _readings(touched[0])]
    return min(found, key=ORDER.index)


def _readings(field: Field) -> list[Field]:
    """A field, and where it has a check digit, its two parts."""
    if not field.form.check:
        return [field]
    form = Form("identifier", fill="0")
    body = Field(field.name, field.first, field.last - 1, form)
    digit = Field(field.name, field.last, field.last, Form("code"))
    return [field, body, digit]


def _over_several(claim: Claim, touched: list[Field], known: Known) -> str:
    whole = claim.first <= touched[0].first and claim.last >= touched[-1].last
    if claim.kind == "constant" and known.constant(claim.first, claim.last):
        return "equivalent"
    if claim.kind == "holes" and whole and all(one.form.kind == "holes" for one in touched):
        return "equivalent"
    if claim.kind in {"date", "time"} and whole:
        pieces = [PARTS.get(one.form.form, (one.form.form,)) for one in touched]
        pattern = "".join("(?:" + "|".join(map(re.escape, piece)) + ")" for piece in pieces)
        side_by_side = touched[-1].last - touched[0].first + 1 == sum(
            one.last - one.first + 1 for one in touched
        )
        if side_by_side and all(piece != ("",) for piece in pieces):
            return "equivalent" if re.fullmatch(pattern, _form(claim)) else "wrong"
    return "wrong"


def _form(claim: Claim) -> str:
    return str(claim.options.get("form") or claim.what.partition(" ")[2])


def _of_one(claim: Claim, field: Field, known: Known) -> str:
    first, last = known.occupied(field)
    if claim.kind == "constant" and not known.constant(claim.first, claim.last):
        return "wrong"
    if claim.kind == "date" and field.form.kind == "date":
        return _date(claim, field, first, last)
    counted = claim.kind not in {"text", "code", "constant"}
    if counted and field.form.kind in {*QUANTITIES, "sequence"}:
        first = known.core(field)
    if claim.first > first or claim.last < last:
        return _piece(claim, field, known)
    meaning = MEANINGS.get(claim.kind, _nothing)(claim, field, known)
    return _columns(claim, field) if meaning == "right" else meaning


def _columns(claim: Claim, field: Field) -> str:
    return "exact" if (claim.first, claim.last) == (field.first, field.last) else "equivalent"


def _date(claim: Claim, field: Field, first: int, last: int) -> str:
    form, true = _form(claim), field.form.form
    if claim.first <= first and claim.last >= last and form == true:
        return _columns(claim, field)
    at = claim.first - field.first
    if at >= 0 and claim.last <= field.last and true[at:].startswith(form):
        short = true.startswith("YYYY") and form == true[2:] and at == 2
        return "equivalent" if short else "part"
    return "wrong"


def _piece(claim: Claim, field: Field, known: Known) -> str:
    """A claim on some of the columns of a field."""
    true = field.form
    match claim.kind:
        case "text" | "code" | "constant":
            told = "part"
        case "whole" if true.kind in QUANTITIES:
            told = "equivalent" if _same_number(claim, field, known) else "wrong"
        case "whole" | "digits" if _plain(known, claim):
            told = "part"
        case "sequence" if known.runs(claim.first, claim.last):
            told = "part"
        case "holes" if true.kind == "holes":
            told = "part"
        case "time" if true.kind == "time" and claim.first >= field.first:
            rest = true.form[claim.first - field.first :]
            told = "part" if rest.startswith(_form(claim)) else "wrong"
        case _:
            told = "wrong"
    return told


def _same_number(claim: Claim, field: Field, known: Known) -> bool:
    """Whether some columns of a number are the number: no sign or point on any card."""
    if field.form.kind not in {"whole", "decimal"} or claim.last < known.occupied(field)[1]:
        return False
    whole = known.texts(field.first, field.last)
    if not all(text.strip().isdigit() for text in whole):
        return False
    lost = claim.first - field.first
    return lost <= 0 or all(not text[:lost].strip(" 0") for text in whole)


def _plain(known: Known, claim: Claim) -> bool:
    return all(text.strip().isdigit() for text in known.texts(claim.first, claim.last))


def _says(right: bool) -> str:  # noqa: FBT001 # a plain translation
    return "right" if right else "wrong"


def _nothing(claim: Claim, field: Field, known: Known) -> str:
    return "wrong"


def _constant(claim: Claim, field: Field, known: Known) -> str:
    return "right"


def _text(claim: Claim, field: Field, known: Known) -> str:
    kind = field.form.kind
    letters = kind in {"identifier", "constant"} and not _plain(known, claim)
    return "right" if kind == "text" or letters else "unspecific"


def _code(claim: Claim, field: Field, known: Known) -> str:
    form = field.form
    if form.kind in {"code", "flag", "constant", "identifier", "text"}:
        return "right"
    return "wrong" if form.kind in NO_CODE or form.sign != "none" else "unspecific"


def _sequence(claim: Claim, field: Field, known: Known) -> str:
    if field.form.kind == "sequence" and _plain(known, claim):
        return "right"
    return "unspecific" if known.runs(claim.first, claim.last) else "wrong"


def _check(claim: Claim, field: Field, known: Known) -> str:
    scheme = claim.options.get("check", {}).get("scheme", field.form.check)
    return _says(bool(field.form.check) and scheme == field.form.check)


def _digits(claim: Claim, field: Field, known: Known) -> str:
    if not _plain(known, claim):
        return "wrong"
    if field.form.kind in {"whole", "decimal", "identifier", "code", "constant"}:
        return "right"
    return "unspecific"


def _whole(claim: Claim, field: Field, known: Known) -> str:
    if not _plain(known, claim):
        return "wrong"
    if field.form.kind in {"whole", "decimal"}:
        return "right"
    texts = known.texts(claim.first, claim.last)
    return "unspecific" if all(text.strip() == str(int(text)) for text in texts) else "wrong"


def _signed(claim: Claim, field: Field, known: Known) -> str:
    side = str(claim.options.get("sign", "leading"))
    return _says(field.form.kind in {"whole", "decimal"} and field.form.sign == side)


def _overpunched(claim: Claim, field: Field, known: Known) -> str:
    side, sign = str(claim.options.get("sign", "")), field.form.sign
    same = sign == side or (sign == "flag-right" and side.endswith("right"))
    return _says(bool(side) and same)


def _point(claim: Claim, field: Field, known: Known) -> str:
    """The sign is where it is claimed, or there is none and none is claimed."""
    side = str(claim.options.get("sign", "none"))
    signs = any(sign in text for text in known.texts(claim.first, claim.last) for sign in "+-")
    fits = side == field.form.sign or (side == "none" and not signs)
    return _says(field.form.kind == "point" and fits)


def _exponent(claim: Claim, field: Field, known: Known) -> str:
    return _says(field.form.kind == "exponent")


def _time(claim: Claim, field: Field, known: Known) -> str:
    said, form = _form(claim), field.form
    same = form.kind == "time" and said in {"", form.form}
    return _says(same or (form.form == "hour" and said == "HH"))


def _day_part(claim: Claim, field: Field, known: Known) -> str:
    return _says(_form(claim) in PARTS.get(field.form.form, ()))


def _holes(claim: Claim, field: Field, known: Known) -> str:
    return _says(field.form.kind == "holes")


MEANINGS: dict[str, Callable[[Claim, Field, Known], str]] = {
    "text": _text,
    "code": _code,
    "constant": _constant,
    "sequence": _sequence,
    "check digit": _check,
    "digits": _digits,
    "whole": _whole,
    "signed": _signed,
    "overpunched": _overpunched,
    "point": _point,
    "exponent": _exponent,
    "date": _day_part,
    "time": _time,
    "holes": _holes,
}
"""Whether what is claimed of all the columns of a field is right, unspecific or wrong."""

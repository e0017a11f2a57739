"""What a check reports: reasons, and the cards that failed."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from deckwright.jobs.fieldspecs import FieldSpec, Severity
from deckwright.layout.words import Places


class Reason(IntEnum):
    """Why a field cannot be read, as it is held while reading; 0 is no fault."""

    NONE = 0
    BLANK = 1
    NOT_A_DIGIT = 2
    NOT_A_NUMBER = 3
    BAD_SIGN = 4
    ZONE_ALONE = 5
    LEADING_BLANK = 6
    NO_SUCH_DATE = 7
    ILLEGAL_PATTERN = 8
    UNDEFINED_CHARACTER = 9
    NO_HOLES = 10
    NOT_EXACT = 11

    @property
    def code(self) -> str:
        """Name in kebab-case, as it is reported."""
        return self.name.lower().replace("_", "-")


OUT_OF_RANGE = "out-of-range"
NOT_IN_LIST = "not-in-list"
CHECK_DIGIT = "check-digit"
NOT_BLANK = "not-blank"
UNKNOWN_CARD_TYPE = "unknown-card-type"
SHIFTED = "shifted"
DOES_NOT_FIT = "does-not-fit"

_CHOICES_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Failure:
    """Some cards failed one check.

    rows: places (k, from 0) in the tray. columns: first and last column of the field, from 1.
    column: exact column (k), from 1, where known. detail: one sentence that says the rule.
    fields: all fields that a rule marks.
    """

    rows: Places
    reason: str
    field: str
    columns: tuple[int, int]
    column: NDArray[np.integer] | None
    detail: str
    severity: Severity
    fields: tuple[str, ...] = ()


def detail_of(reason: Reason, field: FieldSpec) -> str:
    """Return the sentence that says the rule which a field broke."""
    match reason:
        case Reason.NOT_A_DIGIT:
            return _digits_wanted(field)
        case Reason.NOT_A_NUMBER:
            return _number_wanted(field)
        case Reason.NOT_EXACT:
            unit = Decimal(1).scaleb(-field.scale)
            return (
                f"should be a multiple of {unit:f} of at most 18 digits (decimals = {field.scale})"
            )
        case Reason.NO_SUCH_DATE:
            return f"should be a date of the form {field.form}"
        case Reason.LEADING_BLANK:
            return "should be filled with zeros, not blanks, before the first digit"
        case _:
            return _DETAILS[reason]


_DETAILS = {
    Reason.NONE: "",
    Reason.BLANK: "should not be blank",
    Reason.BAD_SIGN: "should have one sign, right before the first digit",
    Reason.ZONE_ALONE: "should have a digit under every zone punch",
    Reason.ILLEGAL_PATTERN: "holes that are no character in this code",
    Reason.UNDEFINED_CHARACTER: "characters that are none in this code",
    Reason.NO_HOLES: "needs a medium with holes; this one has characters only",
}


def _digits_wanted(field: FieldSpec) -> str:
    if field.kind == "date":
        return f"must be digits in the form {field.form}"
    extras = {
        "none": "",
        "leading": ", with or without a sign before them",
        "overpunch-right": "; only the last may carry a sign",
        "overpunch-left": "; only the first may carry a sign",
    }
    extra = extras[field.sign]
    if field.overpunch:
        zones = sorted(field.overpunch)
        article = "an" if zones[0] == "11" else "a"
        extra = f"; only the last may carry {article} {' or '.join(zones)} punch"
    digits = "digits and one point" if field.point == "punched" else "digits"
    return f"must be {digits}{extra or ' only'}"


def _number_wanted(field: FieldSpec) -> str:
    if field.kind == "exponent":
        signs = "without a sign" if field.sign == "none" else "with or without a sign"
        return f"should be a number such as {field.form}, {signs} before it"
    if field.kind == "decimal" and field.point == "punched":
        return f"should be a number with one point and at most {field.decimals} decimals"
    return "should be a number"


def range_detail(low: object, high: object) -> str:
    """Return the sentence for a range; an end that is None is open."""
    if high is None:
        return f"should be at least {low}"
    if low is None:
        return f"should be at most {high}"
    return f"should lie between {low} and {high}"


def list_detail(choices: list[str]) -> str:
    """Return the sentence for a list of choices."""
    shown = ", ".join(choices[:_CHOICES_SHOWN])
    return f"should be one of {shown}{', ...' if len(choices) > _CHOICES_SHOWN else ''}"

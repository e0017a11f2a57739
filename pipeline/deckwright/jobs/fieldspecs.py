"""Models of one field of a layout file."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from typing import Literal

from pydantic import Field, field_validator

from deckwright.jobs.base import ConfigModel

FieldKind = Literal["text", "digits", "whole", "decimal", "exponent", "date", "choice", "holes"]
"""What stands in a field."""

Severity = Literal["fatal", "query", "note"]
"""What a failed check means: the card is returned, is listed for a person, or is counted."""

Bound = str | int | float | dt.date
"""An end of a range as written."""

MAX_WIDTH = 32_760
"""Columns of the longest record, as in the fixed-length records of mainframe data sets."""

_COLUMNS = r"^[1-9]\d{0,4}(-[1-9]\d{0,4})?$"
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_PLACE = re.compile(r"\{n(?::0(\d))?\}")


def parse_columns(text: str) -> tuple[int, int]:
    """Return the first and last column (from 1) of a text such as `3-8` or `5`."""
    first, _, last = text.partition("-")
    return int(first), int(last or first)


class ColumnsModel(ConfigModel):
    """What stands in certain columns of a card."""

    columns: str = Field(pattern=_COLUMNS)
    """Columns that it takes, from 1: `3-8` or `5`."""

    @field_validator("columns")
    @classmethod
    def _columns_run_forward(cls, text: str) -> str:
        first, last = parse_columns(text)
        if last < first:
            msg = f"should run from the lower to the higher column, {last}-{first}"
            raise ValueError(msg)
        if last > MAX_WIDTH:
            msg = f"should end at or before column {MAX_WIDTH}"
            raise ValueError(msg)
        return text

    @property
    def span(self) -> tuple[int, int]:
        """First and last column, from 1."""
        return parse_columns(self.columns)

    @property
    def width(self) -> int:
        """Number of columns."""
        first, last = self.span
        return last - first + 1


class CheckSpec(ConfigModel):
    """A check digit."""

    scheme: Literal[
        "luhn",
        "mod10",
        "mod11",
        "mod11-2",
        "mod37-2",
        "mod97-10",
        "mod11-10",
        "mod37-36",
        "verhoeff",
        "damm",
        "sum10",
    ]
    """How the check digit is reckoned."""
    weights: list[int] = Field(default_factory=list)
    """Weights for mod10 and mod11, from the right of the payload, repeating."""
    digit_columns: str = Field(default="", pattern=_COLUMNS[:-1] + "|^$")
    """Record columns of the check digit; left out: the last column(s) of the field."""
    over: str = Field(default="", pattern=_COLUMNS[:-1] + "|^$")
    """Record columns that sum10 adds up."""
    x: bool = False
    """mod11 only: the check character X stands for 10; else such numbers are not issued."""

    @property
    def size(self) -> int:
        """Number of check characters."""
        return 2 if self.scheme == "mod97-10" else 1


class FieldSpec(ColumnsModel):
    """A field: where it stands, what it holds, what is checked."""

    name: str
    """Lower case letters, digits and `_`; with `repeat` it holds `{n}` or `{n:02}`."""
    kind: FieldKind = "text"
    """What stands in the field."""
    code: str = ""
    """Code in which these columns are punched; left out: the code of the deck."""
    label: str = ""
    """The field in words."""
    unit: str = ""
    """Unit of measure."""
    role: Literal["key", "sequence", "control", ""] = ""
    """What the field is for."""
    blank: Literal["missing", "zero", "error", "text"] = "missing"
    """What a wholly blank field means; `text`: an empty text that is a value."""
    justify: Literal["left", "right"] | None = None
    """Where a value shorter than the field stands; default: text and choice left, else right."""
    fill: Literal[" ", "0"] | None = None
    """What fills the rest; default: blanks for text, choice and exponent, else zeros."""
    sign: Literal["none", "leading", "overpunch-right", "overpunch-left"] = "none"
    """Where the sign of a number stands."""
    plus: Literal["bare", "signed"] = "bare"
    """How plus is written."""
    decimals: int = Field(default=0, ge=0, le=18)
    """Digits after the point, kinds decimal and exponent: the value is a multiple of that unit."""
    point: Literal["implied", "punched"] = "implied"
    """Whether the decimal point stands in the field."""
    form: str = ""
    """Kind date: YYYY or YY, MM, DD or DDD in any order, with marks between. Kind exponent: how a
    new number is written, such as 9.9999E+99."""
    century: int = Field(default=1900, ge=1, le=9900)
    """First of the hundred years that YY means."""
    choices: dict[str, str] = Field(default_factory=dict)
    """Kind choice: the texts that may stand, each with its meaning; or a list of texts."""
    low: Bound | None = None
    """Least value."""
    high: Bound | None = None
    """Greatest value."""
    missing_values: list[str] = Field(default_factory=list)
    """Texts that mean that there is no value."""
    overpunch: dict[Literal["11", "12"], str] = Field(default_factory=dict)
    """Zone over the last digit as a flag: the word for each zone, held in the field NAME_flag."""
    zone_alone: Literal["error", "flag"] = "error"
    """A flag zone over a blank: a fault, or a missing value with its flag."""
    check: CheckSpec | None = None
    """A check digit in the field."""
    severity: Severity = "fatal"
    """What a failed check of this field means."""
    repeat: int | None = Field(default=None, ge=1, le=MAX_WIDTH)
    """So many fields of this shape side by side."""
    step: int | None = Field(default=None, ge=1, le=MAX_WIDTH)
    """Columns from the start of one repeated field to the start of the next; left out: its width,
    so that they stand side by side. A larger step leaves room for what belongs to each value, such
    as flag letters that are repeated fields of their own."""
    first: int = Field(default=1, ge=0)
    """Number of the first repeated field."""
    shares: bool = False
    """The field looks at columns that another field has too."""
    personal: bool = False
    """Its text goes only into deliveries that name it and into returned decks."""

    @field_validator("name")
    @classmethod
    def _name_is_plain(cls, name: str) -> str:
        if not _NAME.fullmatch(_PLACE.sub("1", name)):
            msg = "should be a lower-case letter, then lower-case letters, digits and '_'"
            raise ValueError(msg)
        return name

    @field_validator("choices", mode="before")
    @classmethod
    def _list_of_choices(cls, choices: object) -> object:
        if isinstance(choices, list) and all(isinstance(choice, str) for choice in choices):
            return dict.fromkeys(choices, "")
        return choices

    @property
    def numeric(self) -> bool:
        """Whether the kind is whole or decimal."""
        return self.kind in ("whole", "decimal")

    @property
    def justified(self) -> Literal["left", "right"]:
        """Where a short value stands, the default worked out."""
        return self.justify or ("left" if self.kind in ("text", "choice") else "right")

    @property
    def filled(self) -> Literal[" ", "0"]:
        """What fills the rest, the default worked out."""
        return self.fill or (" " if self.kind in ("text", "choice", "exponent") else "0")

    @property
    def scale(self) -> int:
        """Digits after the point; 0 for kinds without."""
        return self.decimals if self.kind in ("decimal", "exponent") else 0

    @property
    def has_place(self) -> bool:
        """Whether the name has a place for the number of a repeated field."""
        return bool(_PLACE.search(self.name))

    @property
    def flag_name(self) -> str:
        """Name of the companion field that holds the flag; empty without one."""
        return f"{self.name}_flag" if self.overpunch else ""

    def expanded(self) -> list[FieldSpec]:
        """Return the field, or the fields that `repeat` asks for."""
        if self.repeat is None:
            return [self]
        return [self._nth(number) for number in range(self.repeat)]

    def _nth(self, number: int) -> FieldSpec:
        step = number * (self.step or self.width)
        check = self.check
        if check and check.digit_columns:
            moved = shifted(check.digit_columns, step)
            check = check.model_copy(update={"digit_columns": moved})
        named = self.first + number
        change = {
            "name": _PLACE.sub(lambda place: f"{named:0{place[1] or 1}}", self.name),
            "label": _PLACE.sub(lambda place: f"{named:0{place[1] or 1}}", self.label),
            "columns": shifted(self.columns, step),
            "check": check,
            "repeat": None,
            "step": None,
        }
        return self.model_copy(update=change)


def shifted(columns: str, step: int) -> str:
    """Return columns moved to the right."""
    first, last = parse_columns(columns)
    return f"{first + step}-{last + step}"


def plain_bound(bound: Bound) -> Decimal | None:
    """Return an end of a range as an exact number, or None when it is not one."""
    if isinstance(bound, dt.date):
        return None
    try:
        number = Decimal(str(bound).strip())
    except ArithmeticError:
        return None
    return number if number.is_finite() else None

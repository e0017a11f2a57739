"""Date forms such as YYYYMMDD or DD/MM/YY, taken apart."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache

_TOKEN = re.compile(r"YYYY|YY|MM|DDD|DD|.", re.DOTALL)
_PARTS = {"YYYY": "year", "YY": "short year", "MM": "month", "DD": "day", "DDD": "day of year"}
_YEARS = 100


@dataclass(frozen=True, slots=True)
class DatePart:
    """A run of digits in a date form: what it says, place from 0, digits."""

    name: str
    start: int
    width: int

    @property
    def end(self) -> int:
        """Place after its last digit, from 0."""
        return self.start + self.width


@dataclass(frozen=True, slots=True)
class DateForm:
    """A date form: its digits by part, and the literal characters between them by place."""

    text: str
    parts: tuple[DatePart, ...]
    literals: tuple[tuple[int, str], ...]

    @property
    def width(self) -> int:
        """Columns that a date of this form takes."""
        return len(self.text)

    def part(self, name: str) -> DatePart | None:
        """Return the part of this name: year, short year, month, day, day of year."""
        return next((part for part in self.parts if part.name == name), None)

    def read(self, text: str, century: int) -> dt.date | None:
        """Return the date that a text of this form says, or None."""
        numbers = {"month": 1, "day": 1}
        if len(text) != self.width or any(text[place] != mark for place, mark in self.literals):
            return None
        for part in self.parts:
            digits = text[part.start : part.end]
            if not (digits.isascii() and digits.isdigit()):
                return None
            numbers[part.name] = int(digits)
        year = numbers.get("year")
        if year is None:
            year = century + (numbers["short year"] - century) % _YEARS
        try:
            if "day of year" not in numbers:
                return dt.date(year, numbers["month"], numbers["day"])
            date = dt.date(year, 1, 1) + dt.timedelta(numbers["day of year"] - 1)
        except (ValueError, OverflowError):
            return None
        return date if date.year == year else None


@lru_cache(maxsize=256)
def parse_date_form(text: str) -> DateForm:
    """Take a date form apart.

    Raises:
        ValueError: it does not say a date; one sentence.
    """
    parts: list[DatePart] = []
    literals: list[tuple[int, str]] = []
    for token in _TOKEN.finditer(text):
        if token[0] in _PARTS:
            parts.append(DatePart(_PARTS[token[0]], token.start(), len(token[0])))
        else:
            literals.append((token.start(), token[0]))
    names = [part.name for part in parts]
    _need_one_date(text, names)
    odd = [mark for _, mark in literals if mark.isalnum() or not mark.isascii()]
    if odd:
        made_of = "YYYY, YY, MM, DD, DDD and marks"
        msg = f"the date form {text!r} holds {odd[0]!r}; it is made of {made_of}"
        raise ValueError(msg)
    return DateForm(text, tuple(parts), tuple(literals))


def _need_one_date(text: str, names: list[str]) -> None:
    years = names.count("year") + names.count("short year")
    if years != 1:
        msg = f"the date form {text!r} should say the year once, as YYYY or YY"
    elif len(set(names)) < len(names):
        msg = f"the date form {text!r} says a part twice"
    elif "day of year" in names and ("month" in names or "day" in names):
        msg = f"the date form {text!r} has a day of the year beside a month or day"
    elif "day" in names and "month" not in names:
        msg = f"the date form {text!r} has a day but no month; a day of the year is DDD"
    else:
        return
    raise ValueError(msg)

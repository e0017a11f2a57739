"""Forms of numbers with exponents such as 9.9999E+99, taken apart."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

_FORM = re.compile(
    r"(?P<lead>[09]?)(?P<point>[.V]?)(?P<behind>9*)(?P<letter>[ED]?)\+(?P<power>9{1,3})"
)
MAX_FIGURES = 18


@dataclass(frozen=True, slots=True)
class ExponentForm:
    """How a number with an exponent is written.

    lead: what stands before the point: `9` a digit that is not 0, `0` a zero, or nothing. point:
    `.`; `V` for a point that takes no column; or nothing. behind: digits behind the point. letter:
    `E`, `D`, or nothing. power: digits of the exponent, behind its sign.
    """

    text: str
    lead: str
    point: str
    behind: int
    letter: str
    power: int

    @property
    def figures(self) -> int:
        """Digits of the mantissa that count."""
        return self.behind + (self.lead == "9")

    @property
    def width(self) -> int:
        """Columns that a number takes without a sign before it."""
        return len(self.text) - (self.point == "V")

    @property
    def implied(self) -> int:
        """Digits behind a point that takes no column."""
        return self.behind if self.point == "V" else 0


@lru_cache(maxsize=256)
def parse_exponent_form(text: str) -> ExponentForm:
    """Take a form apart.

    Raises:
        ValueError: it is none; one sentence.
    """
    found = _FORM.fullmatch(text)
    figures = len(found["behind"]) + (found["lead"] == "9") if found else 0
    whole = bool(found and (found["point"] or not found["behind"]))
    if found is None or not whole or not 0 < figures <= MAX_FIGURES:
        msg = f"{text!r} is no form of a number with an exponent; write one such as '9.9999E+99'"
        raise ValueError(msg)
    lead, point, letter = found["lead"], found["point"], found["letter"]
    return ExponentForm(text, lead, point, len(found["behind"]), letter, len(found["power"]))

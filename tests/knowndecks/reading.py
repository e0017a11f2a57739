"""What a field says, read by its form alone: written apart from the makers and from the program."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal

from .model import Form

PLUS, MINUS = "{ABCDEFGHI", "}JKLMNOPQR"
Value = Decimal | str | None
"""A number, an ISO date or another text, or nothing where the field is blank."""


class UnfitError(Exception):
    """A text that its form cannot hold."""

    def __init__(self, form: Form, text: str) -> None:
        super().__init__(f"{text!r} is no {form.kind} {form.form} {form.sign}".rstrip())


def value(form: Form, text: str) -> Value:
    """The value of a field.

    Raises:
        UnfitError: The form cannot hold this text.
    """
    if not text.strip():
        return None
    match form.kind:
        case "whole" | "decimal" | "point" | "sequence":
            return _number(form, text)
        case "exponent":
            return _exponent(form, text)
        case "date":
            return _date(form, text)
        case "time":
            return _time(form, text)
        case _:
            return text.rstrip()


def _number(form: Form, text: str) -> Decimal:
    body, minus = text, False
    if form.sign.startswith("overpunch") or form.sign == "flag-right":
        at = 0 if form.sign == "overpunch-left" else len(text) - 1
        for zone, below in ((PLUS, False), (MINUS, True)):
            if text[at] in zone:
                body = text[:at] + str(zone.index(text[at])) + text[at + 1 :]
                minus = below and form.sign != "flag-right"
    elif form.sign == "trailing":
        body, minus = text[:-1], text[-1] == "-"
        if text[-1] not in " +-":
            raise UnfitError(form, text)
    elif form.sign == "leading":
        found = re.fullmatch(r"( *)([+-]?)( *\S+ *)", text)
        if not found:
            raise UnfitError(form, text)
        body, minus = found[1] + found[3], found[2] == "-"
    digits = r"\d*\.\d+" if form.kind == "point" else r"\d+"
    pattern = rf"{digits} *" if form.justify == "left" else rf" *{digits}"
    if form.fill == "0" and form.sign != "leading":
        pattern = digits
    if not re.fullmatch(pattern, body):
        raise UnfitError(form, text)
    amount = Decimal(body.strip()).scaleb(-form.decimals if form.kind == "decimal" else 0)
    return -amount if minus else amount


def _exponent(form: Form, text: str) -> Decimal:
    letter = {"E": "E", "E2": "E", "D": "D"}.get(form.form, "")
    point = "" if form.form == "implied" else r"\."
    power = r"[+-]\d" if form.form in {"E", "bare"} else r"[+-]\d\d"
    sign = "-?" if form.sign == "leading" else ""
    found = re.fullmatch(rf" *({sign}\d{point}\d*){letter}({power}) *", text)
    if not found:
        raise UnfitError(form, text)
    mantissa = found[1]
    if form.form == "implied":
        at = 2 if mantissa.startswith("-") else 1
        mantissa = f"{mantissa[:at]}.{mantissa[at:]}"
    return Decimal(f"{mantissa}E{found[2]}")


def _date(form: Form, text: str) -> str:
    pattern, rest = "", form.form
    for part in re.findall(r"YYYY|YY|MM|DDD|DD|[^YMD]", rest):
        width = len(part)
        one = (
            r"\d" * width
            if form.fill == "0" or part.startswith("Y")
            else rf"[ \d]{{{width - 1}}}\d"
        )
        pattern += f"(?P<{part}>{one})" if part[0] in "YMD" else re.escape(part)
    found = re.fullmatch(pattern, text)
    if not found:
        raise UnfitError(form, text)
    known = {part: int(digits) for part, digits in found.groupdict().items()}
    year = known.get("YYYY", known.get("YY", 52) + 1900)
    try:
        if "DDD" in known:
            day = dt.date(year, 1, 1) + dt.timedelta(known["DDD"] - 1)
            if day.year != year:
                raise UnfitError(form, text)
        else:
            day = dt.date(year, known.get("MM", 1), known.get("DD", 1))
    except ValueError as cause:
        raise UnfitError(form, text) from cause
    return day.isoformat()


def _time(form: Form, text: str) -> str:
    pattern = form.form
    for part, digits in (
        ("HH", r"([01]\d|2[0-3])"),
        (".", r"\."),
        ("MM", r"[0-5]\d"),
        ("SS", r"[0-5]\d"),
    ):
        pattern = pattern.replace(part, digits)
    if not re.fullmatch(pattern, text):
        raise UnfitError(form, text)
    return text

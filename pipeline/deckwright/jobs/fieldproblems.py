"""What is wrong with one field of a layout beyond the shape of its table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal

from deckwright.jobs.dateforms import parse_date_form
from deckwright.jobs.exponentforms import parse_exponent_form
from deckwright.jobs.fieldspecs import CheckSpec, FieldSpec, parse_columns, plain_bound

Path = tuple[str | int, ...]
Problem = tuple[Path, str]

MAX_DIGITS = 18
"""Digits of the longest number that 64 bits hold whatever its digits are."""

_EVERY_KIND = "name columns kind label unit role blank severity repeat step first shares personal"
_NUMBER = "code justify fill sign plus low high missing_values overpunch zone_alone check"
_OPTIONS = {
    "text": "code justify fill missing_values check",
    "digits": "code justify fill missing_values overpunch zone_alone check",
    "whole": _NUMBER,
    "decimal": f"{_NUMBER} decimals point",
    "exponent": "code justify sign plus low high missing_values decimals form",
    "date": "code form century low high missing_values fill",
    "choice": "code justify fill missing_values choices",
    "holes": "",
}
_BLANKS = {
    "text": ("missing", "error", "text"),
    "whole": ("missing", "zero", "error"),
    "decimal": ("missing", "zero", "error"),
    "exponent": ("missing", "zero", "error"),
}
_LETTER_SCHEMES = ("mod37-2", "mod37-36")
_WEIGHTED = ("mod10", "mod11")


def field_problems(field: FieldSpec) -> list[Problem]:
    """Return (path below the field, sentence) for every fault of one field."""
    problems = list(_option_problems(field))
    if problems:
        return problems  # further faults would follow from these
    problems += _shape_problems(field)
    problems += _text_problems(field)
    if field.numeric:
        problems += _bound_problems(field)
    if field.kind == "exponent":
        problems += [*_exponent_problems(field), *_bound_problems(field)]
    if field.kind == "date":
        problems += _date_problems(field)
    if field.check:
        problems += _check_problems(field, field.check)
    return problems


def _option_problems(field: FieldSpec) -> Iterator[Problem]:
    allowed = {*_EVERY_KIND.split(), *_OPTIONS[field.kind].split()}
    for option in sorted(field.model_fields_set - allowed):
        yield (option,), f"{option!r} makes no sense for kind {field.kind!r}"
    blanks = _BLANKS.get(field.kind, ("missing", "error"))
    if field.blank not in blanks:
        what = f"blank = {field.blank!r} makes no sense for kind {field.kind!r}; it may be one of "
        yield ("blank",), what + ", ".join(map(repr, blanks))
    if field.has_place != (field.repeat is not None):
        yield ("name",), "a repeated field, and only that, holds {n} in its name"
    if field.step is not None and field.repeat is None:
        yield ("step",), "a step goes with repeat"
    elif field.step is not None and field.step < field.width:
        what = f"a step of {field.step} is less than the {field.width} columns of the field"
        yield ("step",), what
    yield from _lacking_problems(field)


def _lacking_problems(field: FieldSpec) -> Iterator[Problem]:
    """Yield what an option of this field lacks beside it, or does not go with."""
    if field.kind == "choice" and not field.choices:
        yield ("choices",), "a choice needs 'choices'"
    if field.kind == "exponent" and not field.form:
        yield ("form",), "a number with an exponent needs 'form', such as '9.9999E+99'"
    if field.kind == "exponent" and field.sign.startswith("overpunch"):
        yield ("sign",), f"sign = {field.sign!r} makes no sense for kind 'exponent'"
    if field.kind == "date" and not field.form:
        yield ("form",), "a date needs 'form', such as 'YYYYMMDD'"
    if field.overpunch and field.sign != "none":
        yield ("overpunch",), "a field with a sign cannot have flag zones too"
    if field.zone_alone == "flag" and not field.overpunch:
        yield ("zone_alone",), "'zone_alone' needs 'overpunch'"


def _shape_problems(field: FieldSpec) -> Iterator[Problem]:
    if field.filled == "0" and field.justified == "left":
        yield ("fill",), "zeros on the right would change the value; fill with blanks"
    if field.overpunch and field.justified == "left":
        yield ("justify",), "the flag zone stands over the last column; justify to the right"
    if field.point == "punched" and field.width <= field.decimals:
        yield ("columns",), _too_narrow(field, f"a point and {field.decimals} decimals")
    if field.numeric and field.width > MAX_DIGITS:
        yield ("columns",), f"a number has at most {MAX_DIGITS} columns; use kind 'digits'"
    if field.numeric and field.sign == "leading" and field.width == 1:
        yield ("sign",), "one column is too narrow for a sign and a digit"


def _text_problems(field: FieldSpec) -> Iterator[Problem]:
    for option, texts in (
        ("choices", list(field.choices)),
        ("missing_values", field.missing_values),
    ):
        for text in texts:
            if len(text.strip() if option == "missing_values" else text) > field.width:
                yield (option,), f"{text!r} is longer than the {field.width} columns of the field"
            if any(ord(character) > 0xFF for character in text):  # noqa: PLR2004 # one byte
                yield (option,), f"{text!r} holds a character outside Latin-1"
    if any(not text.strip() for text in field.missing_values):
        yield ("missing_values",), "a blank field is what 'blank' is for"
    for word in field.overpunch.values():
        if not word.strip() or any(ord(character) > 0xFF for character in word):  # noqa: PLR2004
            yield ("overpunch",), f"the word {word!r} should be Latin-1 text and not blank"
    if len(set(field.overpunch.values())) < len(field.overpunch):
        yield ("overpunch",), "both zones have the same word"


def _bound_problems(field: FieldSpec) -> Iterator[Problem]:
    bounds: dict[str, Decimal] = {}
    for option, bound in (("low", field.low), ("high", field.high)):
        if bound is None:
            continue
        number = plain_bound(bound)
        if number is None:
            yield (option,), f"{bound!r} is not a number"
            continue
        bounds[option] = number
        least, greatest = number_limits(field)
        if not least <= number <= greatest:
            room = f"the field holds {least} to {greatest}"
            yield (option,), f"{bound} does not fit into {field.width} columns; {room}"
    if len(bounds) > 1 and bounds["low"] > bounds["high"]:
        yield ("low",), f"low {field.low} is above high {field.high}"


def _exponent_problems(field: FieldSpec) -> Iterator[Problem]:
    try:
        form = parse_exponent_form(field.form)
    except ValueError as error:
        yield ("form",), str(error)
        return
    if form.width > field.width:
        yield ("columns",), _too_narrow(field, f"the form {field.form!r}")


def number_limits(field: FieldSpec) -> tuple[Decimal, Decimal]:
    """Return the least and the greatest number that the columns can hold."""
    if field.kind == "exponent":
        greatest = signed = (Decimal(10) ** MAX_DIGITS - 1).scaleb(-field.scale)
    elif field.point == "punched":
        greatest = Decimal("9" * field.width)
        signed = Decimal("9" * (field.width - 1) or "0")
    else:
        greatest = Decimal("9" * field.width).scaleb(-field.scale)
        signed = Decimal("9" * (field.width - 1) or "0").scaleb(-field.scale)
    if field.sign == "none":
        return Decimal(0), greatest
    return (-signed if field.sign == "leading" else -greatest), greatest


def _date_problems(field: FieldSpec) -> Iterator[Problem]:
    try:
        form = parse_date_form(field.form)
    except ValueError as error:
        yield ("form",), str(error)
        return
    if form.width != field.width:
        what = (
            f"the form {field.form!r} has {form.width} characters, the field {field.width} columns"
        )
        yield ("form",), what
    dates: dict[str, dt.date] = {}
    for option in ("low", "high"):
        bound = field.low if option == "low" else field.high
        if bound is None:
            continue
        date = date_bound(field, bound)
        if date is None:
            what = f"{bound!r} is not a date of the form {field.form!r} or YYYY-MM-DD"
            yield (option,), what
        else:
            dates[option] = date
    if len(dates) > 1 and dates["low"] > dates["high"]:
        yield ("low",), f"low {field.low} is after high {field.high}"


def date_bound(field: FieldSpec, bound: object) -> dt.date | None:
    """Return an end of a range of dates, written in the field's form or as YYYY-MM-DD."""
    if isinstance(bound, dt.date):
        return bound
    text = str(bound)
    date = parse_date_form(field.form).read(text, field.century)
    return date or parse_date_form("YYYY-MM-DD").read(text, field.century)


def _check_problems(field: FieldSpec, check: CheckSpec) -> Iterator[Problem]:
    path: Path = ("check",)
    scheme = check.scheme
    if bool(check.weights) != (scheme in _WEIGHTED):
        need = "needs 'weights'" if scheme in _WEIGHTED else "has no 'weights'"
        yield path, f"scheme {scheme!r} {need}"
    if any(not 1 <= weight <= 96 for weight in check.weights):  # noqa: PLR2004 # modulus 97 at most
        yield path, "weights should lie between 1 and 96"
    if bool(check.over) != (scheme == "sum10"):
        need = "needs 'over', the columns to add up" if scheme == "sum10" else "has no 'over'"
        yield path, f"scheme {scheme!r} {need}"
    if check.x and (scheme != "mod11" or field.kind != "text"):
        yield path, "'x' is for scheme 'mod11' in a field of kind 'text'"
    if scheme in _LETTER_SCHEMES and field.kind != "text":
        yield path, f"scheme {scheme!r} has letters; the field should be of kind 'text'"
    if field.overpunch or field.sign != "none" or field.point == "punched":
        yield path, "a field with a sign, a zone or a point cannot have a check digit"
    yield from _check_place_problems(field, check)


def _check_place_problems(field: FieldSpec, check: CheckSpec) -> Iterator[Problem]:
    path: Path = ("check",)
    if check.digit_columns:
        first, last = parse_columns(check.digit_columns)
        if last < first or last - first + 1 != check.size:
            yield path, f"scheme {check.scheme!r} has {check.size} check column(s)"
        if check.scheme == "sum10":
            if field.width > 1:
                yield path, "the field of a 'sum10' check digit is the check digit, one column"
        elif not field.span[0] <= first <= last <= field.span[1]:
            yield path, f"check columns {check.digit_columns} lie outside the field {field.columns}"
    if check.over:
        first, last = parse_columns(check.over)
        if last < first or not (field.span[0] > last or field.span[1] < first):
            yield path, f"columns {check.over} should run forward and leave out the check digit"
    elif field.width <= check.size and check.scheme != "sum10":
        yield path, f"{field.width} column(s) are too few for a number and its check digit"


def _too_narrow(field: FieldSpec, what: str) -> str:
    return f"{field.width} columns are too few for {what}"

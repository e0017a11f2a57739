"""Expressions of rules and computed fields: Polars SQL over the fields of one card."""

from __future__ import annotations

import re
from collections.abc import Mapping

import polars as pl

_QUOTED = re.compile(r"'(?:[^']|'')*'|\"[^\"]*\"|--[^\n]*|/\*.*?\*/", re.DOTALL)
_WORD = re.compile(r"[A-Za-z_][A-Za-z_0-9]*")
_CALL = re.compile(r"([A-Za-z_][A-Za-z_0-9]*)\s*\(")

# what needs more than one card would depend on where one tray ends and the next begins
_ACROSS_CARDS = """
array_agg avg corr count covar covar_pop covar_samp cume_dist dense_rank first first_value lag last
last_value lead max median min nth_value ntile percent_rank quantile quantile_cont quantile_disc
rank row_number stddev stddev_pop stddev_samp stdev stdev_samp string_agg sum var var_pop var_samp
variance
"""
_ACROSS_WORDS = frozenset({"over", "select", "qualify"})
# what depends on the day of the run would make two runs of one deck differ
_CLOCK_WORDS = frozenset({"current_date", "current_time", "current_timestamp", "now", "today"})

_PRECISION = 38
_SIDES = 2
_DATES = "write a date as DATE '1957-03-01'"


def parse_expression(text: str) -> pl.Expr:
    """Return a Polars SQL expression over the fields of one card.

    Raises:
        ValueError: it does not parse, needs other cards, or depends on the clock; one sentence.
    """
    bare = _QUOTED.sub(" ", text)
    words = {word.lower() for word in _WORD.findall(bare)}
    calls = {name.lower() for name in _CALL.findall(bare)}
    across = sorted((words & _ACROSS_WORDS) | (calls & set(_ACROSS_CARDS.split())))
    if across:
        msg = f"{across[0].upper()} needs more than one card; an expression speaks of one card only"
        raise ValueError(msg)
    clock = sorted(words & _CLOCK_WORDS)
    if clock:
        msg = f"{clock[0].upper()} depends on the day of the run; write the date out"
        raise ValueError(msg)
    try:
        return pl.sql_expr(text)
    except pl.exceptions.PolarsError as error:
        raise ValueError(_plain(error, text)) from error


def names_in(expression: pl.Expr) -> list[str]:
    """Return the names of the fields that an expression uses, each once, in order."""
    return list(dict.fromkeys(expression.meta.root_names()))


def polars_type(kind: str, scale: int) -> pl.DataType:
    """Return the Polars type of a field by its kind, or by how its values are held."""
    types: dict[str, pl.DataType] = {
        "whole": pl.Int64(),
        "decimal": pl.Decimal(_PRECISION, scale),
        "exponent": pl.Decimal(_PRECISION, scale),
        "date": pl.Date(),
    }
    return types.get(kind, pl.String())


def kind_in_words(kind: pl.DataType) -> str:
    """Return what a type is called in sentences."""
    if isinstance(kind, pl.Decimal):
        return f"a number with {kind.scale} decimal{'' if kind.scale == 1 else 's'}"
    if kind.is_integer():
        return "a whole number"
    if kind.is_float():
        return "a number"
    others = {pl.Date(): "a date", pl.String(): "a text", pl.Boolean(): "true or false"}
    return others.get(kind, "neither text nor number nor date")


def result_type(text: str, expression: pl.Expr, types: Mapping[str, pl.DataType]) -> pl.DataType:
    """Return of what type an expression is on fields of these types, all that it names among them.

    Raises:
        ValueError: it cannot be worked out on such fields; one sentence that says what they are.
    """
    frame = pl.DataFrame(schema=types)
    try:
        kind = _type_on(expression, frame)
        days_as_numbers = _takes_days_for_numbers(expression, frame)
    except pl.exceptions.PolarsError as error:
        raise ValueError(_unsuited(text, expression, types)) from error
    if days_as_numbers or _fails_on_values(expression, types):
        raise ValueError(_unsuited(text, expression, types))
    return kind


def _fails_on_values(expression: pl.Expr, types: Mapping[str, pl.DataType]) -> bool:
    """Return whether no value will do, such as in `NOT item`, which passes where there is none.

    What fails on some values only, such as a text that is taken for a number, is for the run.
    """
    ones = {
        name: pl.Series(["1"] if kind == pl.String else [1], strict=False).cast(kind)
        for name, kind in types.items()
    }
    frame = pl.DataFrame(ones)
    try:
        frame.select(expression.alias("value"))
    except pl.exceptions.PolarsError as error:
        return "not supported" in str(error)
    return False


def not_a_truth(kind: pl.DataType) -> str:
    """Return what is wrong with an expression of this type where one must hold; else nothing."""
    if kind == pl.Boolean:
        return ""
    return f"the expression should be true or false; it is {kind_in_words(kind)}"


def _type_on(expression: pl.Expr, frame: pl.DataFrame) -> pl.DataType:
    return frame.select(expression.alias("value")).to_series().dtype


def _takes_days_for_numbers(expression: pl.Expr, frame: pl.DataFrame) -> bool:
    """Return whether a date is compared with a number, which Polars takes for a count of days."""
    parts = expression.meta.pop()
    if any(_takes_days_for_numbers(part, frame) for part in parts):
        return True
    kinds = [_type_on(part, frame) for part in parts] if len(parts) == _SIDES else []
    compared = pl.Date in kinds and any(kind.is_numeric() for kind in kinds)
    return compared and _type_on(expression, frame) == pl.Boolean


def _unsuited(text: str, expression: pl.Expr, types: Mapping[str, pl.DataType]) -> str:
    found = [(name, types[name]) for name in names_in(expression)]
    fields = ", ".join(
        f"{name!r}{' is' if place == 0 else ''} {kind_in_words(kind)}"
        for place, (name, kind) in enumerate(found)
    )
    said = f"the expression {text.strip()!r} cannot be worked out"
    said += f": {fields}" if fields else ""
    return f"{said}; {_DATES}" if any(kind == pl.Date for _, kind in found) else said


def _plain(error: pl.exceptions.PolarsError, text: str) -> str:
    message = " ".join(str(error).split())
    if message.startswith("unable to parse"):
        return f"the expression {text.strip()!r} does not parse"
    return f"the expression {text.strip()!r} is not understood: {message[:1].lower() + message[1:]}"

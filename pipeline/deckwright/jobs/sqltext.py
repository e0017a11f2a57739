"""Expressions of rules and computed fields: Polars SQL over the fields of one card."""

from __future__ import annotations

import re

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


def _plain(error: pl.exceptions.PolarsError, text: str) -> str:
    message = " ".join(str(error).split())
    if message.startswith("unable to parse"):
        return f"the expression {text.strip()!r} does not parse"
    return f"the expression {text.strip()!r} is not understood: {message[:1].lower() + message[1:]}"

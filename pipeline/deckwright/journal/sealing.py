"""What the journal holds in place of personal text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import reduce
from operator import or_

import polars as pl

from deckwright.layout.personal import Personal, Seal, out_of_place

SEALED = "_sealed"
"""Ends the name of a column that holds digests of a span of columns in place of its text."""

_QUOTED = re.compile(r""":\s+b?(['"]).*\1\s*$""")


def unquoted(detail: str) -> str:
    """Return what a medium says of a card without the text that it quotes at the end."""
    return _QUOTED.sub("", detail)


def sealed(entries: pl.DataFrame, personal: Mapping[int, Personal], seal: Seal) -> pl.DataFrame:
    """Return reasons with a digest of what was found, where that is or may be personal.

    It may be wherever the reasons of a card say that its fields stand out of place.

    Args:
        entries: reasons, as the journal holds them.
        personal: what is personal at each stage.
        seal: makes the digests.
    """
    anywhere = [stage for stage, one in personal.items() if one]
    slipped = out_of_place(entries.filter(pl.col("stage").is_in(personal.keys())))
    behind = reduce(or_, [_personal(stage, personal[stage]) for stage in anywhere])
    behind |= pl.col("card").is_in(slipped.implode())
    marked = entries.select(behind.fill_null(value=False)).to_series()
    hidden = seal.texts(entries["found"].filter(marked))
    places = marked.arg_true()
    return entries.with_columns(entries["found"].scatter(places, hidden))


def _personal(stage: int, one: Personal) -> pl.Expr:
    here = pl.col("field").is_in(list(one.names))
    for first, last in one.spans:
        here |= (pl.col("first") <= last) & (pl.col("last") >= first)
    return (pl.col("stage") == stage) & here

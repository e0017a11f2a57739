"""The tables of a journal that hold reasons and fates."""

from __future__ import annotations

import polars as pl

ENTRY_SCHEMA = pl.Schema(
    {
        "card": pl.Int64,
        "stage": pl.UInt16,
        "severity": pl.String,
        "reason": pl.String,
        "field": pl.String,
        "first": pl.UInt16,
        "last": pl.UInt16,
        "column": pl.UInt16,
        "found": pl.String,
        "detail": pl.String,
    },
)
"""A row a card and reason. first, last: columns of the field; column: the exact one, from 1."""

FATE_SCHEMA = pl.Schema(
    {"card": pl.Int64, "stage": pl.UInt16, "fate": pl.String, "reason": pl.String},
)
"""A row a card that left the chain, or that a stage added. fate: returned, set-aside, added."""

SCHEMAS = {"entries": ENTRY_SCHEMA, "fates": FATE_SCHEMA}

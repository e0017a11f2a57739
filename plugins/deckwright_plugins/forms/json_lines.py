"""The form json-lines: a JSON object a card, numbers written as they are."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
from typing_extensions import override

from deckwright import Form, TableConfig, TableForm, Tray, hookimpl

_TEXTS = (pl.String, pl.Date)
_ODD = r'["\\\x00-\x1f]'
_ESCAPES = {chr(byte): json.dumps(chr(byte))[1:-1] for byte in (*range(32), ord('"'), ord("\\"))}


class JsonLinesConfig(TableConfig):
    """Deliver JSON lines: an object a card; numbers keep every digit, missing is null."""


class JsonLinesForm(TableForm[JsonLinesConfig]):
    """Writes JSON lines in UTF-8 that end with LF."""

    kind = "json-lines"

    @override
    def body(self, tray: Tray) -> bytes:
        if not len(tray):
            return b""
        frame = self.frame(tray)
        pieces: list[pl.Expr | pl.Series] = []
        for place, column in enumerate(frame.get_columns()):
            name = json.dumps(column.name, ensure_ascii=False)
            pieces += [pl.lit(f"{',' if place else '{'}{name}:"), _written(column)]
        lines = pl.select(pl.concat_str([*pieces, pl.lit("}\n")])).to_series()
        return str(lines.str.join("").item()).encode()


def _written(column: pl.Series) -> pl.Series:
    """Return the values of a column as JSON."""
    texts = column.cast(pl.String)
    if isinstance(column.dtype, _TEXTS):
        if texts.str.contains(_ODD).any():
            texts = texts.str.replace_many(list(_ESCAPES), list(_ESCAPES.values()))
        texts = '"' + texts + '"'
    return texts.fill_null("null")


@hookimpl
def deckwright_forms() -> list[type[Form[Any]]]:
    """Bring the form."""
    return [JsonLinesForm]

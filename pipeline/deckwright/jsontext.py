"""JSON with a line for each item, byte for byte as `json.dumps` with `indent` writes it.

The library's own encoder is in Python as soon as lines are to be indented, and takes several times
as long, which a run of a small deck feels.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from json.encoder import encode_basestring, encode_basestring_ascii

_Quoted = Callable[[str], str]
_Plain = Callable[[object], str]
_AS_IS: tuple[_Quoted, _Plain] = (encode_basestring, json.JSONEncoder(ensure_ascii=False).encode)
_ASCII: tuple[_Quoted, _Plain] = (encode_basestring_ascii, json.JSONEncoder().encode)


def indented(value: object, step: int = 2, *, only_ascii: bool = False) -> str:
    """Return a value as JSON, without a line feed at its end.

    Args:
        value: what JSON knows: dicts with texts as keys, lists, tuples, texts, numbers, None.
        step: blanks by which each level is set in.
        only_ascii: other characters are written as escapes.
    """
    quoted, plain = _ASCII if only_ascii else _AS_IS
    return _written(value, "\n", " " * step, quoted, plain)


def _written(value: object, margin: str, step: str, quoted: _Quoted, plain: _Plain) -> str:
    kind = type(value)
    if kind is str:
        return quoted(value)  # type: ignore[arg-type] # as its type says
    if kind is int:
        return str(value)
    inner = margin + step
    if value and isinstance(value, dict):
        items = [
            f"{inner}{quoted(key)}: {_written(each, inner, step, quoted, plain)}"
            for key, each in value.items()
        ]
        return f"{{{','.join(items)}{margin}}}"
    if value and isinstance(value, (list, tuple)):
        items = [f"{inner}{_written(each, inner, step, quoted, plain)}" for each in value]
        return f"[{','.join(items)}{margin}]"
    return plain(value)

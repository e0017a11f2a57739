"""JSON with a line for each item, byte for byte as `json.dumps` with `indent` writes it.

The library's own encoder is in Python as soon as lines are to be indented, and takes several times
as long, which a run of a small deck feels.
"""

from __future__ import annotations

import json
from collections.abc import Callable

_AS_IS, _ASCII = json.JSONEncoder(ensure_ascii=False).encode, json.JSONEncoder().encode


def indented(value: object, step: int = 2, *, only_ascii: bool = False) -> str:
    """Return a value as JSON, without a line feed at its end.

    Args:
        value: what JSON knows: dicts with texts as keys, lists, tuples, texts, numbers, None.
        step: blanks by which each level is set in.
        only_ascii: other characters are written as escapes.
    """
    return _written(value, "\n", " " * step, _ASCII if only_ascii else _AS_IS)


def _written(value: object, margin: str, step: str, plain: Callable[[object], str]) -> str:
    if type(value) is int:
        return str(value)
    inner = margin + step
    if value and isinstance(value, dict):
        items = [
            f"{inner}{plain(key)}: {_written(each, inner, step, plain)}"
            for key, each in value.items()
        ]
        return f"{{{','.join(items)}{margin}}}"
    if value and isinstance(value, (list, tuple)):
        items = [f"{inner}{_written(each, inner, step, plain)}" for each in value]
        return f"[{','.join(items)}{margin}]"
    return plain(value)

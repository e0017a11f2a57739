"""Layouts and cards for tests of layouts."""

from __future__ import annotations

import numpy as np

from deckwright.jobs.layouts import LayoutSpec, layout_problems
from deckwright.layout.reading import Layout


def compiled(**tables):
    spec = LayoutSpec.model_validate(tables)
    assert layout_problems(spec) == []
    return Layout(spec, "test")


def one_field(width, *, first=1, length=80, **options):
    columns = f"{first}-{first + width - 1}"
    field = {"name": "x", "columns": columns, **options}
    return compiled(record_length=length, field=[field])


def deck(*texts, first=1, length=80):
    cards = ["*" * (first - 1) + text for text in texts]
    raw = "".join(card.ljust(length, "*") for card in cards).encode("latin-1")
    return np.frombuffer(raw, np.uint8).reshape(len(texts), length)


def told(layout, text, name="x"):
    """Return what is known of each card: its value, None, or its first reason."""
    values, failures = layout.check(text)
    data, present = values[name].data, values[name].present()
    out = [
        (bytes(data[row]).decode("latin-1") if data.ndim > 1 else int(data[row]))
        if present[row]
        else None
        for row in range(len(text))
    ]
    for failure in failures:
        for row in failure.rows:
            if out[row] is None:
                out[row] = failure.reason
    return out

"""What a layout tells of its fields before the run."""

from __future__ import annotations

from deckwright.layout.reading import Layout
from deckwright.plugin.stages import FieldShape


def shapes_of(layout: Layout) -> dict[str, FieldShape]:
    """Return the shape of every field of a layout, in its order."""
    shapes = {}
    for name in layout.field_names:
        kind, scale, width = layout.value_kind(name)
        specs = layout.fields(name)
        own = [spec for spec in specs if spec.name == name]
        digits = bool(own) and all(
            spec.kind == "digits" and spec.width == width and not spec.overpunch for spec in own
        )
        unit, label = (specs[0].unit, specs[0].label) if specs else ("", "")
        shapes[name] = FieldShape(kind, width, scale, digits, unit, label)
    return shapes


def own_fields(layout: Layout) -> list[str]:
    """Return the fields that stand in columns of their own: not card types, not flags of others."""
    return [
        name
        for name in layout.field_names
        if any(spec.name == name for spec in layout.fields(name))
    ]

"""What a layout tells of its fields before the run."""

from __future__ import annotations

from dataclasses import replace

from deckwright.layout.decks import DeckLayouts
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
        personal = any(spec.personal for spec in specs)
        shapes[name] = FieldShape(kind, width, scale, digits, unit, label, personal=personal)
    return shapes


def shapes_of_decks(layouts: DeckLayouts) -> dict[str, FieldShape]:
    """Return the shape of every field of several decks, in their order.

    A field that some deck does not have is missing there; its shape says which decks have it.
    """
    shapes: dict[str, FieldShape] = {}
    for layout in layouts.layouts:
        for name, shape in (shapes_of(layout) if layout else {}).items():
            known = shapes.get(name, shape)
            same = known.digits and shape.digits and known.width == shape.width
            personal = known.personal or shape.personal
            shapes[name] = replace(
                known, width=max(known.width, shape.width), digits=same, personal=personal
            )
    for name, shape in shapes.items():
        owners = layouts.decks_with(name)
        if len(owners) < len(layouts.decks):
            shapes[name] = replace(shape, decks=owners)
    return shapes


def own_fields(layout: Layout) -> list[str]:
    """Return the fields that stand in columns of their own: not card types, not flags of others."""
    return [
        name
        for name in layout.field_names
        if any(spec.name == name for spec in layout.fields(name))
    ]

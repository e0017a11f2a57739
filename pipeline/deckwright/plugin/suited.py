"""Whether expressions suit the fields that they name, and values the fields they are made for."""

from __future__ import annotations

import polars as pl

from deckwright.jobs.sqltext import kind_in_words, not_a_truth, polars_type
from deckwright.layout.expressions import Expression, values_of
from deckwright.plugin.guard import OptionProblem
from deckwright.plugin.stages import FieldShape, Known


def type_of(known: Known, expression: Expression, *path: str | int) -> pl.DataType:
    """Return of what Polars type an expression is on the cards.

    Raises:
        OptionProblem: it names no field, or one that is not there, or cannot be worked out.
    """
    shapes = {name: known.need(name, *path) for name in expression.names}
    if not shapes:
        what = f"the expression {expression.text.strip()!r} names no field"
        raise OptionProblem(what, *path)
    types = {name: type_of_shape(shape) for name, shape in shapes.items()}
    try:
        return expression.type_on(types)
    except ValueError as error:
        raise OptionProblem(str(error), *path) from error


def type_of_shape(shape: FieldShape) -> pl.DataType:
    """Return the Polars type of a field in expressions."""
    return polars_type(shape.kind, shape.scale)


def need_truth(known: Known, expression: Expression, *path: str | int) -> None:
    """Check an expression that chooses cards: it must be true or false on each.

    Raises:
        OptionProblem: it is not; or what `type_of` raises.
    """
    if what := not_a_truth(type_of(known, expression, *path)):
        raise OptionProblem(what, *path)


def need_kind(name: str, shape: FieldShape, made: str, kind: pl.DataType, *path: str | int) -> None:
    """Check that what is made for a field is of a kind that the field can hold.

    Args:
        name: the field.
        shape: what is known of it.
        made: what is made for it, in words.
        kind: of what type that is.
        path: the option at fault.

    Raises:
        OptionProblem: no value of that type can be one of the field.
    """
    try:
        values_of(pl.Series(name, [], kind), shape.kind, shape.scale, shape.width)
    except (TypeError, pl.exceptions.PolarsError) as error:
        own = kind_in_words(type_of_shape(shape))
        what = f"field {name!r} is {own}, {made} {kind_in_words(kind)}"
        raise OptionProblem(what, *path) from error

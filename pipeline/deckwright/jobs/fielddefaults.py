"""What a layout says once for all of its fields."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from deckwright.jobs.base import ConfigModel
from deckwright.jobs.fieldproblems import field_problems
from deckwright.jobs.fieldspecs import FieldSpec, Severity


class DefaultsSpec(ConfigModel):
    """What fields are that do not say it themselves and that can be so."""

    blank: Literal["missing", "zero", "error", "text"] | None = None
    """What a wholly blank field means."""
    fill: Literal[" ", "0"] | None = None
    """What fills the rest of a field."""
    sign: Literal["none", "leading", "overpunch-right", "overpunch-left"] | None = None
    """Where the sign of a number stands."""
    plus: Literal["bare", "signed"] | None = None
    """How plus is written."""
    decimals: int | None = Field(default=None, ge=0, le=18)
    """Digits after the point, kind decimal."""
    point: Literal["implied", "punched"] | None = None
    """Whether the decimal point stands in the field."""
    form: str | None = None
    """Form of dates."""
    century: int | None = Field(default=None, ge=1, le=9900)
    """First of the hundred years that YY means."""
    missing_values: list[str] | None = None
    """Texts that mean that there is no value."""
    severity: Severity | None = None
    """What a failed check of a field means."""


def with_defaults(field: FieldSpec, defaults: DefaultsSpec) -> FieldSpec:
    """Return a field with the defaults that it can have and does not say itself.

    A default that would be a fault of this field, such as a sign of a text, is left out.
    """
    for name in DefaultsSpec.model_fields:
        value = getattr(defaults, name)
        if value is None or name in field.model_fields_set:
            continue
        changed = field.model_copy(update={name: value})
        if set(field_problems(changed)) <= set(field_problems(field)):
            field = changed
    return field

"""What all config models share."""

from __future__ import annotations

from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema
from typing_extensions import override

_EXACT = frozenset({"int", "float", "bool"})
_NO_TYPES = frozenset({"default", "metadata", "serialization", "expected"})


def _make_exact(schema: Any) -> None:
    """Let no number or truth value of a schema be made of something else, however deep it lies."""
    if isinstance(schema, dict):
        if schema.get("type") in _EXACT:
            schema.setdefault("strict", True)
        for key, part in schema.items():
            if key not in _NO_TYPES:
                _make_exact(part)
    elif isinstance(schema, (list, tuple)):
        for part in schema:
            _make_exact(part)


class ConfigModel(BaseModel):
    """A table of a config file: unknown keys are faults, values are frozen.

    Numbers and truth values are taken as they are written: neither `true` nor "1" is a number, and
    1 is no truth value. A whole number does where a fraction may stand.
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        validate_default=False,
    )

    @classmethod
    @override
    def __get_pydantic_core_schema__(
        cls, source: type[BaseModel], handler: GetCoreSchemaHandler, /
    ) -> CoreSchema:
        schema = handler(source)
        _make_exact(schema)
        return schema


def models_in(annotation: object) -> list[type[BaseModel]]:
    """Return the models that the type of an option holds, however deep in unions and lists."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in models_in(part)]

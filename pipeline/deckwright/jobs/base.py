"""What all config models share."""

from __future__ import annotations

from typing import get_args

from pydantic import BaseModel, ConfigDict


class ConfigModel(BaseModel):
    """A table of a config file: unknown keys are faults, values are frozen."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        validate_default=False,
    )


def models_in(annotation: object) -> list[type[BaseModel]]:
    """Return the models that the type of an option holds, however deep in unions and lists."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in models_in(part)]

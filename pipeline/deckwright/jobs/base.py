"""What all config models share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class ConfigModel(BaseModel):
    """A table of a config file: unknown keys are faults, values are frozen."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        validate_default=False,
    )

"""The job file as a model."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

from pydantic import ConfigDict, Field, field_validator

from deckwright.jobs.base import ConfigModel

_SIZE = re.compile(r"^\s*(\d+)\s*([KMG]i?B|B)?\s*$")
_UNITS = {
    None: 1,
    "B": 1,
    "KB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "KiB": 2**10,
    "MiB": 2**20,
    "GiB": 2**30,
}


class DeckSpec(ConfigModel):
    """A named deck; all further keys are options of the stage that brings its cards."""

    model_config = ConfigDict(extra="allow", frozen=True, validate_default=False)

    name: str = Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,30}$")
    """What the deck is called, on the command line and in all reports."""
    layout: str = ""
    """Layout by which `validate` checks and reads its cards."""
    file: str = ""
    """The name under `[files]` of what this deck lies in; left out: the run is given it."""
    kind: str = "decode"
    """The stage that brings its cards."""

    @property
    def options(self) -> dict[str, Any]:
        """The options of that stage."""
        return dict(self.model_extra or {})


class JobSpec(ConfigModel):
    """A job: a chain of stages and the files that it names."""

    title: str
    """What the job is; heads the control sheet."""
    inbox: str = ""
    """Inbox folder of the watched service whose decks get this job; left out: the job's name."""
    names: list[str] = Field(default_factory=lambda: ["*"], min_length=1)
    """Patterns of the names of those decks, so that several jobs may share one inbox folder."""
    memory: str = "512 MiB"
    """Memory that the whole run may use; sets how many cards are held at a time."""
    record_log: bool | None = None
    """Write one log event for every change of a card; left out: for decks up to 100,000 cards."""
    plugins: list[str] = Field(default_factory=list)
    """One-file plugins, paths relative to the job file."""
    files: dict[str, str] = Field(default_factory=dict)
    """Named files such as masters, relative to the job file; `--with NAME=PATH` replaces one."""
    personal: list[str] = Field(default_factory=list)
    """Fields that are personal, wherever in the chain they come from; see `personal` of a field."""
    deck: list[DeckSpec] = Field(default_factory=list, max_length=100)
    """Named decks that meet in this chain, in their order; in place of the first stage."""
    stage: list[dict[str, Any]] = Field(min_length=1)
    """The chain: one table a stage, in order, each with `kind` and the options of that kind."""

    @field_validator("deck")
    @classmethod
    def _names_differ(cls, decks: list[DeckSpec]) -> list[DeckSpec]:
        names = [deck.name for deck in decks]
        if doubled := [name for place, name in enumerate(names) if name in names[:place]]:
            msg = f"two decks are named {doubled[0]!r}; rename one"
            raise ValueError(msg)
        return decks

    @field_validator("memory")
    @classmethod
    def _memory_is_a_size(cls, text: str) -> str:
        if parse_size(text) < 256 * 2**20:
            msg = "should be a size of at least 256 MiB, such as '512 MiB'"
            raise ValueError(msg)
        return text


@lru_cache(maxsize=256)
def parse_size(text: str) -> int:
    """Return a size such as '512 MiB' in bytes; 0 when it is none."""
    found = _SIZE.match(text)
    if not found or found[2] not in _UNITS:
        return 0
    return int(found[1]) * _UNITS[found[2]]

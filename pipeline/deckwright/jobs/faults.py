"""Faults of config files: from what a validator says to one sentence with file and line."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from deckwright.errors import ConfigError, Fault
from deckwright.jobs.base import models_in
from deckwright.jobs.lines import LineMap

ModelT = TypeVar("ModelT", bound=BaseModel)


@lru_cache(maxsize=64)
def _parsed(text: str) -> dict[str, Any]:
    """Return the tables of a text, which nobody changes; a file is parsed once a process."""
    return tomllib.loads(text)


class ConfigFile:
    """One TOML file: its name as shown, its bytes, its tables, its lines."""

    def __init__(self, path: Path) -> None:
        """Read and parse the file.

        Raises:
            ConfigError: it cannot be read, is not UTF-8 or is not TOML.
        """
        self.path = path
        self.name = str(path)
        try:
            self.data = path.read_bytes()
            text = self.data.decode("utf-8-sig")
            self.tables: dict[str, Any] = _parsed(text.replace("\r\n", "\n"))
        except OSError as error:
            raise ConfigError([Fault(self.name, 0, f"cannot be read: {error.strerror}")]) from error
        except UnicodeDecodeError as error:
            line = self.data[: error.start].count(b"\n") + 1
            raise ConfigError([Fault(self.name, line, "is not UTF-8 text")]) from error
        except tomllib.TOMLDecodeError as error:
            raise ConfigError([_syntax_fault(self.name, str(error))]) from error
        self._text = text

    @cached_property
    def lines(self) -> LineMap:
        """Return where the keys stand; asked for only where something is wrong."""
        return LineMap(self._text)

    def fault(self, path: Sequence[str | int], what: str) -> Fault:
        """Return a fault at the key that this path names."""
        return Fault(self.name, self.lines.line(path), what)

    def validate(
        self,
        model: type[ModelT],
        tables: Mapping[str, Any],
        path: Sequence[str | int] = (),
        prefix: str = "",
        *,
        repeat: bool = True,
    ) -> ModelT:
        """Return the tables as a model.

        Args:
            model: the pydantic model.
            tables: the tables to check.
            path: where they stand in the file.
            prefix: said before every fault, such as `stage 2 (sort): `.
            repeat: say also what was found; not where it may be a secret.

        Raises:
            ConfigError: with every fault of these tables.
        """
        try:
            return model.model_validate(tables)
        except ValidationError as error:
            faults = []
            for detail in error.errors(include_url=False):
                place = (*path, *_clean(detail["loc"], tables))
                sentence = _sentence(detail, model, tables, repeat=repeat)
                faults.append(self.fault(place, prefix + sentence))
            raise ConfigError(faults) from error


def _syntax_fault(name: str, message: str) -> Fault:
    where = message.rpartition("(at line ")[2].partition(",")[0]
    line = int(where) if where.isdigit() else 0
    return Fault(name, line, f"is not TOML: {message.partition(' (at ')[0].lower()}")


def _clean(loc: tuple[str | int, ...], tables: object) -> tuple[str | int, ...]:
    """Drop parts of a location that name a branch of a union instead of a key."""
    kept: list[str | int] = []
    here: Any = tables
    for part in loc:
        inside = range(len(here)) if isinstance(here, list) else here
        if isinstance(here, (Mapping, list)) and part in inside:
            here = cast("Any", here)[part]
            kept.append(part)
        elif part == loc[-1] and isinstance(here, Mapping):
            kept.append(part)
    return tuple(kept)


def _dotted(loc: tuple[str | int, ...]) -> str:
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def _sentence(detail: ErrorDetails, model: type[BaseModel], tables: object, *, repeat: bool) -> str:
    loc = _clean(detail["loc"], tables)
    name = _dotted(loc)
    if detail["type"] == "extra_forbidden":
        keys = _keys_at(model, loc[:-1])
        near = difflib.get_close_matches(str(loc[-1]), keys, n=2)
        if near:
            return f"unknown key {name!r}; did you mean {' or '.join(map(repr, near))}"
        return f"unknown key {name!r}; known keys: {', '.join(keys)}"
    if detail["type"] == "missing":
        return f"the key {name!r} is missing"
    message = detail["msg"].removeprefix("Value error, ").removeprefix("Input ")
    message = message[:1].lower() + message[1:]
    short = repeat and not isinstance(detail["input"], (dict, list))
    found = f" (got {detail['input']!r})" if short else ""
    return f"{name}: {message}{found}" if name else message + found


def _keys_at(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[str]:
    """Return the keys of the model that a location leads to."""
    here = model
    for part in loc:
        if isinstance(part, int) or part not in here.model_fields:
            continue
        for inner in models_in(here.model_fields[part].annotation):
            here = inner
            break
    return [info.alias or name for name, info in here.model_fields.items()]

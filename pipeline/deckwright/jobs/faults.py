"""Faults of config files: from what a validator says to one sentence with file and line."""

from __future__ import annotations

import contextlib
import re
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
from deckwright.wording import nearest

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
            raise ConfigError([Fault(self.name, 0, _unread(path, error))]) from error
        except RecursionError as error:
            raise ConfigError(
                [Fault(self.name, 0, "its brackets are nested too deeply")]
            ) from error
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
            found: dict[tuple[str | int, ...], list[str]] = {}
            for detail in _meant(error):
                place = (*path, *_clean(detail["loc"], tables))
                sentence = _sentence(detail, model, tables, repeat=repeat)
                found.setdefault(place, []).append(sentence)
            faults = [
                self.fault(place, prefix + sentence)
                for place, said in found.items()
                for sentence in _clearest(said)
            ]
            raise ConfigError(faults) from error


def _meant(error: ValidationError) -> list[ErrorDetails]:
    """Return what is wrong but where a table stands in place of a text that might stand there too.

    What is wrong with the table is said by itself.
    """
    details = error.errors(include_url=False)
    return [
        one
        for one in details
        if one["loc"][-1:] != ("str",) or not isinstance(one["input"], Mapping)
    ] or details


def _unread(path: Path, error: OSError) -> str:
    if path.is_dir():
        return "is a folder; name the file in it"
    if isinstance(error, FileNotFoundError):
        return "does not exist; correct the path"
    return f"cannot be read: {(error.strerror or '').lower()}"


def sentences(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Return what is wrong with the options of a model, a sentence for each key."""
    found: dict[tuple[str | int, ...], list[str]] = {}
    for detail in error.errors(include_url=False):
        extra = detail["type"] == "extra_forbidden"
        loc = detail["loc"] if extra else _of_model(detail["loc"], model)
        inner: Any = detail["input"]
        for part in reversed(loc):
            inner = {part: inner}
        told = _sentence({**detail, "loc": loc}, model, inner, repeat=True)
        found.setdefault(loc, []).append(told)
    return [sentence for said in found.values() for sentence in _clearest(said)]


def _of_model(loc: tuple[str | int, ...], model: type[BaseModel]) -> tuple[str | int, ...]:
    """Drop parts of a location that name a branch of a union instead of a key of the model."""
    if model is BaseModel:
        return loc
    kept: tuple[str | int, ...] = ()
    for part in loc:
        if isinstance(part, int) or part in _keys_at(model, kept):
            kept = (*kept, part)
    return kept


def _clearest(said: list[str]) -> list[str]:
    """Return what is said of one key; of the branches of a union the one that tells what to do."""
    return [one for one in said if "without quotes" in one] or list(dict.fromkeys(said))


def _syntax_fault(name: str, message: str) -> Fault:
    where = message.rpartition("(at line ")[2].partition(",")[0]
    line = int(where) if where.isdigit() else 0
    return Fault(name, line, f"is not valid TOML: {_why(message.partition(' (at ')[0])}")


_WHYS = {
    "Illegal character '\\n'": "a quote is not closed",
    "Unterminated string": "a quote is not closed",
    "Invalid statement": "a line should be a [table], a key = value, or a # comment",
    "Expected '=' after a key in a key/value pair": "a key is not followed by =",
    "Invalid value": "what follows the = is no value; texts stand between quotes",
    "Expected ']' at the end of a table declaration": "a bracket ] is missing",
    "Expected ']]' at the end of an array declaration": "brackets ]] are missing",
    "Unclosed array": "a bracket [ is not closed",
    "Unclosed inline table": "a brace { is not closed",
    "Cannot overwrite a value": "a key is given twice",
    "Expected newline or end of document after a statement": "something follows the value",
    "Unescaped '\\' in a string": "a backslash stands for itself only between single quotes",
}


def _why(message: str) -> str:
    """Return what is wrong with the text, in words of the person who wrote it."""
    return _WHYS.get(message, message[:1].lower() + message[1:])


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
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def _named(loc: tuple[str | int, ...], tables: object) -> tuple[str, str]:
    """Return which named table of a list a location lies in, and the key in it."""
    if len(loc) > 2 and isinstance(loc[1], int):  # noqa: PLR2004 # a list, a place, a key
        with contextlib.suppress(LookupError, TypeError):
            name = cast("Any", tables)[loc[0]][loc[1]]["name"]
            if isinstance(name, str):
                return f"{loc[0]} {name!r}: ", _dotted(loc[2:])
    return "", _dotted(loc)


def _sentence(detail: ErrorDetails, model: type[BaseModel], tables: object, *, repeat: bool) -> str:
    loc = _clean(detail["loc"], tables)
    where, name = _named(loc, tables)
    if detail["type"] == "extra_forbidden":
        return f"{where}unknown key {name!r}; {nearest(str(loc[-1]), _keys_at(model, loc[:-1]))}"
    if detail["type"] == "missing":
        return f"{where}the key {name!r} is missing"
    given = detail["input"]
    if repeat and isinstance(given, str):
        said = _text_said(detail, given)
        if said:
            return f"{where}{name}{said}"
    message = detail["msg"].removeprefix("Value error, ").removeprefix("Input ")
    message = message[:1].lower() + message[1:]
    short = repeat and not isinstance(given, (dict, list))
    found = f" (got {given!r})" if short else ""
    return f"{where}{name}: {message}{found}" if name else message + found


_NUMBERS = {"int_type", "int_parsing", "float_type", "float_parsing"}


def _text_said(detail: ErrorDetails, given: str) -> str:
    """Return what is to be said of a text that stands where something else should."""
    if detail["type"] == "literal_error":
        known = re.findall(r"'([^']*)'", str(detail.get("ctx", {}).get("expected", "")))
        return f" is {given!r}; {nearest(given, known)}" if known else ""
    if detail["type"] in _NUMBERS and re.fullmatch(r"[+-]?\d+(\.\d+)?", given):
        return f": write the number without quotes: {given}"
    if detail["type"] == "bool_type" and given in {"true", "false"}:
        return f": write it without quotes: {given}"
    return ""


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

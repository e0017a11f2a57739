"""Making the forms that a list of tables in a job describes, with every fault of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from deckwright.errors import ConfigError, Fault, UnknownKindError
from deckwright.jobs.faults import ConfigFile
from deckwright.plugin.forms import Form
from deckwright.plugin.registry import Registry
from deckwright.plugin.stages import OptionProblem, Setting

Place = tuple[str | int, ...]


def make_forms(
    file: ConfigFile,
    registry: Registry,
    setting: Setting,
    tables: Sequence[Mapping[str, object]],
    place: Place,
    prefix: str,
) -> list[Form[Any]]:
    """Return the form of each table.

    Args:
        file: the job file.
        registry: finds forms.
        setting: handed to each.
        tables: the tables.
        place: where they stand in the file.
        prefix: said before every fault, such as `stage 2 (emit): `.

    Raises:
        ConfigError: with every fault of the tables.
        PluginError: a form cannot be loaded, or fails.
    """
    forms: list[Form[Any]] = []
    faults: list[Fault] = []
    for number, table in enumerate(tables):
        named = table.get("file")
        said = repr(named) if isinstance(named, str) else number + 1
        head = f"{prefix}output {said}: "
        try:
            found = _made(file, registry, setting, table, (*place, number), head)
        except ConfigError as error:
            faults += error.faults
        else:
            forms.append(found)
    if faults:
        raise ConfigError(faults)
    return forms


def _made(
    file: ConfigFile,
    registry: Registry,
    setting: Setting,
    table: Mapping[str, object],
    place: Place,
    prefix: str,
) -> Form[Any]:
    kind = table.get("form")
    if not isinstance(kind, str):
        missing = "the key 'form' is missing" if kind is None else f"form: {kind!r} is no form"
        what = f"{missing}; one of: {', '.join(registry.kinds('forms'))}"
        where = place if kind is None else (*place, "form")
        raise ConfigError([file.fault(where, prefix + what)])
    try:
        found = registry.form(kind)
    except UnknownKindError as error:
        raise ConfigError([file.fault((*place, "form"), f"{prefix}{error}")]) from error
    config = file.validate(found.config_model, table, place, prefix)
    try:
        return found(config, setting)
    except OptionProblem as problem:
        raise ConfigError([file.fault((*place, *problem.path), prefix + problem.what)]) from problem

"""The process in which the observers of the service live, away from it.

It reads JSON lines from its standard input: first the observers to make, then what happened. After
each call of each observer it writes a line, so that the service knows which one failed it.
"""

from __future__ import annotations

import json
import os
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from deckwright.errors import ConfigError, DeckwrightError, Fault
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.service import ServiceSpec, plugin_files
from deckwright.plugin.notices import Notice
from deckwright.plugin.registry import Registry
from deckwright.service.workers import limits

MEMORY = 2 << 30
"""Address space of the process."""

_FILE, _OPEN_FILES, _ANY_TIME = 1 << 30, 256, 1 << 30
_LONGEST = 500


def notice_faults(file: ConfigFile, spec: ServiceSpec) -> list[Fault]:
    """Return what is wrong with the observers that a service file names: kinds and options.

    Loads their modules, so the process of the service itself does not call it. What stands in an
    option is not repeated, since it may be a secret.

    Args:
        file: the service file.
        spec: what was read from it.
    """
    faults = []
    try:
        registry = Registry(plugin_files(spec, file.path.parent))
    except DeckwrightError as error:
        return [file.fault(("plugins",), str(error))]
    except BaseException as error:  # noqa: BLE001 # as below
        what = f"a plugin that it names raised {type(error).__name__} while it was loaded"
        return [file.fault(("plugins",), what)]
    for index, each in enumerate(spec.notice):
        prefix = f"notice {index + 1} ({each.kind}): "
        place = ("notice", index, "options")
        try:
            model = registry.notice(each.kind).config_model
            file.validate(model, each.options, place, prefix, repeat=False)
        except ConfigError as error:
            faults += error.faults
        except DeckwrightError as error:
            faults.append(file.fault(("notice", index, "kind"), prefix + str(error)))
        # whatever a plugin raises while it is loaded, an exit among it, spoils its notice alone
        except BaseException as error:  # noqa: BLE001
            what = f"the plugin raised {type(error).__name__}"
            faults.append(file.fault(("notice", index, "kind"), prefix + what))
    return faults


def main() -> None:
    """Serve until the service closes the standard input."""
    orders = os.fdopen(limits.free_input(), "rb")
    answers = _free_output()
    first = json.loads(orders.readline())
    limits.bind_to_parent(first["parent"])
    limits.set_limits(file=_FILE, open_files=_OPEN_FILES)
    limits.limit_run(MEMORY, _ANY_TIME)
    workspace = Path(first["workspace"])
    registry, spoilt = _loaded(first["plugins"])
    notices: list[Notice[Any] | None] = []
    for index, each in enumerate(first["notices"]):
        problem, notice = "", None
        if index not in first["left_out"]:
            notice, problem = (None, spoilt) if spoilt else _made(registry, each, workspace)
        notices.append(notice)
        _answer(answers, 0, index, problem)
    for line in orders:
        _tell(notices, json.loads(line), answers)


def _free_output() -> int:
    """Return standard output under another number; what observers print goes nowhere."""
    answers = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return answers


def _answer(answers: int, number: int, notice: int, problem: str) -> None:
    line = json.dumps({"number": number, "notice": notice, "problem": problem[:_LONGEST]})
    data = memoryview(line.encode("ascii") + b"\n")
    while data:
        data = data[os.write(answers, data) :]


def _loaded(files: list[str]) -> tuple[Registry, str]:
    """Return the plugins, and why the files that the service names cannot be loaded, if so."""
    made: list[Registry] = []
    problem = _problem_of(lambda: made.append(Registry([Path(file) for file in files])))
    return (made[0] if made else Registry()), problem


def _made(
    registry: Registry, given: dict[str, Any], workspace: Path
) -> tuple[Notice[Any] | None, str]:
    """Make an observer; return it, or why it cannot be made."""
    made: list[Notice[Any]] = []

    def make() -> None:
        kind = registry.notice(given["kind"])
        made.append(kind(kind.config_model.model_validate(given["options"]), workspace))

    problem = _problem_of(make)
    return (made[0] if made else None), problem


def _tell(notices: list[Notice[Any] | None], message: dict[str, Any], answers: int) -> None:
    for index in range(message["first"], len(notices)):
        notice = notices[index]
        problem = ""
        if notice is not None:
            problem = _problem_of(partial(getattr(notice, message["event"]), **message["facts"]))
        _answer(answers, message["number"], index, problem)


def _problem_of(call: Callable[[], object]) -> str:
    """Call an observer's code; return what went wrong, without any value it worked on."""
    try:
        call()
    except DeckwrightError as error:
        return str(error)
    except ValidationError as error:
        details = error.errors(include_input=False, include_url=False, include_context=False)
        return "; ".join(map(_sentence, details))
    except BaseException as error:  # noqa: BLE001 # also sys.exit is no reason to end
        cause = f" ({error.strerror})" if isinstance(error, OSError) and error.strerror else ""
        frame = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(frame.filename).name}:{frame.lineno} {frame.name}"
        return f"{type(error).__name__}{cause} at {place}"
    return ""


def _sentence(detail: ErrorDetails) -> str:
    key = ".".join(map(str, ("options", *detail["loc"])))
    return f"{key}: {detail['msg'].removeprefix('Value error, ')}"


if __name__ == "__main__":
    main()

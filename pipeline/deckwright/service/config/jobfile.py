"""From a job file of the workspace to what the service must know of it."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

from deckwright.engine.closing.nextmasters import declared
from deckwright.engine.planning.plan import Plan, load_plan
from deckwright.errors import ConfigError, DeckwrightError, Fault
from deckwright.jobs.faults import ConfigFile
from deckwright.jobs.job import JobSpec
from deckwright.jobs.service import ServiceSpec
from deckwright.plugin.media import Medium
from deckwright.service.config.compile import SERVICE_FILE, Bad, Good
from deckwright.service.outward.noticing import notice_faults
from deckwright.service.store.records import BadRecordError
from deckwright.service.store.snapshot import Snapshot, inside, read_snapshot


class JobFaultError(Exception):
    """A job cannot be used; `faults` says why, each with file and line."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("; ".join(faults))


def compile_job(root: Path, file: str) -> Good:
    """Load a job and return what is told of it.

    Args:
        root: the workspace.
        file: name of the job file in `config/jobs`.

    Raises:
        JobFaultError: it cannot be used.
    """
    path = root / "config" / "jobs" / file
    place = inside(path, root)
    _check_own(path, root)
    plan = _loaded(path, root)
    medium = _medium(plan, path, root)
    snapshot = _snapshot(plan, root)
    try:
        read_snapshot(snapshot)
        return Good(
            file=file,
            name=plan.name,
            title=plan.spec.title,
            inbox=plan.spec.inbox or plan.name,
            names=plan.spec.names,
            snapshot=snapshot.decode("ascii"),
            stages=[step.label for step in plan.steps],
            card_bytes=medium.card_bytes(),
            longest=medium.longest_line(),
            memory=plan.memory,
            files={name: os.path.abspath(path) for name, path in plan.files.items()},  # noqa: PTH100
            next_masters=declared(plan),
        )
    except (ValidationError, BadRecordError) as error:
        keys = (
            sorted({str(each["loc"][0]) for each in error.errors(include_input=False)})
            if isinstance(error, ValidationError)
            else [str(error)]
        )
        raise JobFaultError([f"{place}: cannot be used as it is: {', '.join(keys)}"]) from error


def check_notices(root: Path) -> Bad:
    """Check the observers that the service file names; return what is wrong with them.

    Args:
        root: the workspace.

    Raises:
        JobFaultError: the file itself cannot be used.
    """
    path = root / "config" / "service.toml"
    try:
        file = ConfigFile(path)
        faults = notice_faults(file, file.validate(ServiceSpec, file.tables))
    except ConfigError as error:
        raise JobFaultError(_told(error.faults, root)) from error
    return Bad(file=SERVICE_FILE, faults=_told(faults, root))


def _loaded(path: Path, root: Path) -> Plan:
    place = inside(path, root)
    try:
        return load_plan(path)
    except ConfigError as error:
        raise JobFaultError(_told(error.faults, root)) from error
    except DeckwrightError as error:
        fault = ConfigFile(path).fault(("plugins",), str(error))
        raise JobFaultError(_told([fault], root)) from error
    # whatever a plugin raises while it is loaded, an exit among it, makes this job bad alone
    except BaseException as error:
        what = f"a plugin that it names raised {type(error).__name__} while it was loaded"
        raise JobFaultError([f"{place}: {what}"]) from error


def _check_own(path: Path, root: Path) -> None:
    """Check what the service asks of a job beyond what a run does, before any plugin is loaded."""
    try:
        file = ConfigFile(path)
        spec = file.validate(JobSpec, file.tables)
    except ConfigError as error:
        raise JobFaultError(_told(error.faults, root)) from error
    found = []
    if spec.inbox and not _is_folder_name(spec.inbox):
        what = "inbox: should be the name of a folder: letters, digits, dots, underscores, hyphens"
        found.append(file.fault(("inbox",), what))
    if any(not name or "/" in name for name in spec.names):
        what = "names: should be patterns of file names, such as '*.dck', without a slash"
        found.append(file.fault(("names",), what))
    if any(os.path.isabs(plugin) for plugin in spec.plugins):  # noqa: PTH117 # text
        what = "plugins: should be paths relative to the job file"
        found.append(file.fault(("plugins",), what))
    names = Counter(PurePosixPath(plugin).name for plugin in spec.plugins)
    if doubled := [name for name, count in names.items() if count > 1]:
        what = f"plugins: two files are named {doubled[0]!r}; rename one"
        found.append(file.fault(("plugins",), what))
    if found:
        raise JobFaultError(_told(found, root))


def _medium(plan: Plan, path: Path, root: Path) -> Medium[Any]:
    """Return the medium of the deck that comes from the inbox; the job's files hold all others.

    Raises:
        JobFaultError: it is not one deck.
    """
    coming = [deck for deck in plan.named if not deck.file]
    if plan.named and len(coming) != 1:
        names = " and ".join(repr(deck.name) for deck in coming) or "none"
        what = (
            f"deck: one deck of a served job comes from the inbox, here {names} would; give the "
            "others the key 'file', with the name of a file in [files]"
        )
        raise JobFaultError(_told([ConfigFile(path).fault(("deck", 0), what)], root))
    return coming[0].medium if coming else plan.source.medium


def _told(faults: Sequence[Fault], root: Path) -> list[str]:
    """Return faults with the names of files as they are in the workspace."""
    return [str(fault).replace(f"{root}{os.sep}", "") for fault in faults]


def _is_folder_name(text: str) -> bool:
    allowed = set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")
    return set(text) <= allowed and text[0] not in ".-" and len(text) <= 64  # noqa: PLR2004 # as for job names


def _snapshot(plan: Plan, root: Path) -> bytes:
    named = {name: inside(path, root) for name, path in plan.files.items()}
    return Snapshot(plan.name, dict(plan.configs.used), named).to_bytes()

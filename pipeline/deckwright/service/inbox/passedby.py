"""Files in the inbox that the service passes by for their names, and why: for people who wonder."""

from __future__ import annotations

import contextlib
import fnmatch
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from deckwright.jobs.service import ServiceSpec
from deckwright.service.store.markers import deck_of
from deckwright.service.system.fs import names_in
from deckwright.service.system.places import Workspace, shown

MOST = 1000
"""Files that are listed at most."""


@dataclass(frozen=True, slots=True)
class PassedBy:
    """A file that is no deck by its name. place: below the inbox. why: goes on from there."""

    place: str
    why: str


def passed_by(workspace: Workspace, spec: ServiceSpec, folders: Sequence[str]) -> list[PassedBy]:
    """Return the files that are passed by. folders: of the inbox; none = all that there are."""
    found = []
    for folder in sorted(folders or names_in(workspace.inbox)):
        for name, why in _of(workspace.inbox / folder, spec):
            found.append(PassedBy(shown(f"{folder}/{name}"), why))
            if len(found) == MOST:
                return found
    return found


def _of(folder: os.PathLike[str], spec: ServiceSpec) -> Iterator[tuple[str, str]]:
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for name in sorted(entry.name for entry in entries if entry.is_file(follow_symlinks=False)):
            pattern = next((each for each in spec.ignore if fnmatch.fnmatchcase(name, each)), "")
            marked = deck_of(name)
            if not pattern:
                continue
            if marked is None:
                yield name, f"is passed by: its name fits {pattern}; rename it when it is complete"
            elif not os.path.lexists(os.path.join(folder, marked[0])):  # noqa: PTH118 # names may be any
                yield name, f"marks {shown(marked[0])} as complete, and there is no such deck"

"""The folder `by-name`: a link for each ended deck, under its job and its own name.

The links are hints for people. They lead to the folders of runs and can be deleted; the service
makes those that are missing anew at its next start.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

from deckwright.service.store.tables import Row
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace, shown

FOLDER = "by-name"
_LONGEST = 200
"""Bytes of a name that are kept, so that there is room for what is put behind it."""


def link_name(name: bytes) -> str:
    """Return what the link of a deck is called: its name, in a form that is safe anywhere.

    A name that had to be changed ends with a part of its hash, so that no two are the same.
    """
    text = shown(name)
    safe = "".join(each if each not in '/\\:*?"<>|' else "_" for each in text).strip(" ")
    safe = f"_{safe[1:]}" if safe[:1] in {".", "-", ""} else safe
    data = safe.encode()
    if data == name and len(data) <= _LONGEST:
        return safe
    cut = data[:_LONGEST].decode("utf-8", "ignore")
    return f"{cut}~{hashlib.sha256(name).hexdigest()[:6]}"


def link(workspace: Workspace, fs: Fs, row: Row) -> None:
    """Link an ended run under its deck's name; an earlier one of that name makes room for it.

    The earlier one is called `NAME~RUN` from then on. May be repeated.

    Raises:
        OSError: no room or no right; it is done at the next start.
    """
    folder = workspace.root / FOLDER / row.job
    for place in (folder.parent, folder):
        if not place.is_dir():
            fs.make_folder(place)
    path, target = folder / link_name(row.name), f"../../{row.state}/{row.run}"
    before = _target(path)
    if before == target:
        return
    if before:
        fs.replace(path, folder / f"{path.name}~{_short(before)}")
    elif os.path.lexists(path):  # something of somebody's
        return
    fs.symlink(target, path)


def link_missing(workspace: Workspace, fs: Fs, rows: Iterable[Row]) -> None:
    """Link every ended run whose folder is there and has no link. rows: in the order of taking.

    Raises:
        OSError: no room or no right; it is done at the next start.
    """
    known: dict[str, set[str]] = {}
    for row in rows:
        if row.job not in known:
            known[row.job] = _linked(workspace.root / FOLDER / row.job)
        there = f"../../{row.state}/{row.run}" in known[row.job]
        if not there and (workspace.root / row.state / row.run).is_dir():
            link(workspace, fs, row)


def unlink(workspace: Workspace, fs: Fs, row: Row) -> None:
    """Take the link of a run away."""
    path = workspace.root / FOLDER / row.job / link_name(row.name)
    for each in (path, path.with_name(f"{path.name}~{_short(row.run)}")):
        if _target(each).endswith(f"/{row.run}"):
            fs.unlink(each)


def _short(place: str) -> str:
    """Return the part of a run's name that tells it from others of its name."""
    run = place.rpartition("/")[2]
    return f"{run[:8]}-{run.rpartition('-')[2]}"


def _target(path: Path) -> str:
    with contextlib.suppress(OSError):
        return os.readlink(path)  # noqa: PTH115 # as it is written
    return ""


def _linked(folder: Path) -> set[str]:
    found = set()
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        found = {_target(Path(entry.path)) for entry in entries}
    return found

"""Copies of the deliveries of a done run for another place, made after the run stands in `done`.

A copy bears the name of its run and of its delivery, so no two can meet, and making it again ends
with the same one file. What happened is therefore seen at the place itself, whoever forgot it.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from deckwright.jobs.service import DeliverSpec
from deckwright.service.store.records import FileFacts, Manifest
from deckwright.service.system.fs import Fs, SyncError, digest_of_file
from deckwright.service.system.places import FOLDERS, RUN, Workspace

_INSIDE = f"{RUN}/out/"
"""Where the deliveries lie in the folder of a run."""

_UNKNOWN = frozenset({errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTTY})
"""What a file system says that knows no flush of folders, or no rename that never replaces."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """A delivery and what became of it. problem: empty when the copy is there, whole and right."""

    name: str
    path: Path
    problem: str = ""


def wanted(manifest: Manifest, spec: DeliverSpec) -> tuple[list[FileFacts], list[str]]:
    """Return the deliveries of a run that are to be copied, and names that it did not deliver."""
    there = {
        name: facts
        for facts in manifest.files
        if (name := facts.name.removeprefix(_INSIDE)) != facts.name and "/" not in name
    }
    names = spec.files or sorted(there)
    return [there[name] for name in names if name in there], [n for n in names if n not in there]


def place_of(workspace: Workspace, spec: DeliverSpec) -> Path:
    """Return the folder that takes the copies, absolute."""
    return workspace.root / spec.to


def unfit_place(workspace: Workspace, spec: DeliverSpec) -> str:
    """Return why a folder must not take copies; empty when it may."""
    place = place_of(workspace, spec).resolve()
    for name in FOLDERS:
        own = (workspace.root / name.partition("/")[0]).resolve()
        if place.is_relative_to(own):
            return f"{spec.to} lies in {own.name}, which is the service's own; name another folder"
    if place == workspace.root.resolve():
        return f"{spec.to} is the workspace itself; name another folder"
    return ""


def copy_name(run: str, name: str) -> str:
    """Return what the copy of a delivery is called: runs of other decks never have the same."""
    return f"{run}-{name}"


def deliver(
    fs: Fs, workspace: Workspace, run: str, files: Sequence[FileFacts], place: Path
) -> list[Delivered]:
    """Copy deliveries of a done run into a folder; may be repeated until it returns.

    A file that stands there with the right bytes is done; one with other bytes is never touched.

    Args:
        fs: the steps.
        workspace: where the run lies.
        run: its name.
        files: the deliveries, as the manifest of the run describes them.
        place: the folder, which must exist.

    Raises:
        SyncError: what was written must be taken as lost; call again.
        OSError: the folder is away, full or may not be written; call again later.
    """
    if not place.is_dir():
        raise FileNotFoundError(errno.ENOENT, "the folder for deliveries is not there", str(place))
    made = [_deliver_one(fs, workspace, run, facts, place) for facts in files]
    # also when all stood there: the flush may be what a cut-off attempt did not reach
    _sync_where_known(fs, place)
    return made


def _deliver_one(
    fs: Fs, workspace: Workspace, run: str, facts: FileFacts, place: Path
) -> Delivered:
    name = facts.name.removeprefix(_INSIDE)
    target = place / copy_name(run, name)
    aside = place / f".{target.name}.part"
    if os.path.lexists(target):
        return Delivered(name, target, _difference(target, facts))
    if os.path.lexists(aside):  # of an attempt that was cut off; the name is this run's own
        fs.unlink(aside)
    try:
        problem = _copy(fs, workspace.done / run / facts.name, aside, facts)
        if not problem:
            _put(fs, aside, target)
    except OSError as error:
        _drop(fs, aside)
        if error.errno != errno.ENAMETOOLONG:
            raise
        problem = "its name is too long for the folder for deliveries"
    return Delivered(name, target, problem)


def _difference(target: Path, facts: FileFacts) -> str:
    """Return what is wrong with a file that stands at the target."""
    try:
        same = digest_of_file(target) == (facts.size, facts.sha256)
    except OSError as error:
        if error.errno not in {errno.ELOOP, errno.EINVAL, errno.EISDIR, errno.ENXIO}:
            raise
        return f"{target} is not a file; move it away"
    return "" if same else f"{target} has other bytes than the run left; move it away"


def _copy(fs: Fs, source: Path, aside: Path, facts: FileFacts) -> str:
    """Copy a delivery beside its place; return what is wrong with the delivery."""
    try:
        right = digest_of_file(source) == (facts.size, facts.sha256)
    except FileNotFoundError:
        return f"{source} is not there any more"
    if not right:
        return f"{source} has other bytes than the run left; restore it from a copy"
    fs.copy_new(source, aside)
    if digest_of_file(aside) != (facts.size, facts.sha256):
        raise OSError(errno.EIO, "the copy is not like the delivery", str(aside))
    return ""


def _put(fs: Fs, aside: Path, target: Path) -> None:
    """Give the copy its name, which nothing has.

    Raises:
        FileExistsError: something has it now.
    """
    try:
        fs.rename_new(aside, target)
    except OSError as error:
        if error.errno not in _UNKNOWN:
            raise
        # some shares know the plain rename only; the name holds the run's own, so none is waiting
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from error
        fs.replace(aside, target)


def _drop(fs: Fs, aside: Path) -> None:
    """Take a copy that is not whole away, so that it takes no room; the next attempt would too."""
    if os.path.lexists(aside):
        with contextlib.suppress(OSError):
            fs.unlink(aside)


def _sync_where_known(fs: Fs, folder: Path) -> None:
    """Flush a folder; a share that knows no such flush is taken as it is.

    Raises:
        SyncError, OSError
    """
    try:
        fs.sync_folder(folder)
    except SyncError as error:
        if error.errno not in _UNKNOWN:
            raise

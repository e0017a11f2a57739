"""On which file system does the workspace lie, and can the promises be kept there?"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

from deckwright.errors import WorkspaceError
from deckwright.service.system.places import FOLDERS, Workspace

SAFE = frozenset({"ext4", "xfs", "btrfs", "tmpfs"})
"""Rename is atomic and a flush is kept; tmpfs is for tests, since it forgets all without power."""

TOLERATED = frozenset({"overlay"})
"""Common in containers; taken with a warning."""

MOUNTS = Path("/proc/self/mountinfo")
"""The mount table of this process."""

_ESCAPE = re.compile(r"\\([0-7]{3})")


def check_places(workspace: Workspace, mounts: Path = MOUNTS, *, allow_unsafe: bool) -> str:
    """Check that the workspace is whole, writable and on one fitting file system.

    Returns:
        A warning, or an empty text.

    Raises:
        WorkspaceError: it cannot be used; the sentence says what would do.
    """
    devices = set()
    for name in FOLDERS:
        path = workspace.root / name
        if not path.is_dir():
            msg = f"{path} is missing; `deckwright init {workspace.root}` makes what is missing"
            raise WorkspaceError(msg)
        if not os.access(path, os.R_OK | os.W_OK | os.X_OK):
            msg = f"{path} may not be written by this user; give it to the user of the service"
            raise WorkspaceError(msg)
        if name != "config/used" and not name.startswith("config/"):
            devices.add(path.stat().st_dev)
    if len(devices) > 1:
        msg = f"{workspace.root}: its folders must lie on one file system; a deck moves in one step"
        raise WorkspaceError(msg)
    kind = kind_of(workspace.root, mounts)
    if kind in SAFE:
        return ""
    if kind in TOLERATED or allow_unsafe:
        return f"the workspace lies on {kind}; nothing is promised there after a power cut"
    msg = (
        f"{workspace.root} lies on {kind or 'an unknown file system'}; use ext4, XFS or Btrfs, or"
        " set allow_unsafe_filesystem = true in config/service.toml and do without the promises"
    )
    raise WorkspaceError(msg)


def unfit_inboxes(inbox: Path, folders: Iterable[str]) -> list[str]:
    """Return what is wrong with the inbox folders of jobs, in sentences; empty when all will do.

    Args:
        inbox: where they lie.
        folders: their names.
    """
    found = []
    for name in sorted(folders):
        path = inbox / name
        try:
            apart = path.stat().st_dev != inbox.stat().st_dev
        except OSError:  # it was removed, and is listed as missing by the look at the inbox
            continue
        if not os.access(path, os.R_OK | os.W_OK | os.X_OK):
            what = "decks cannot be taken from it; give it to the user of the service"
            found.append(f"{path} may not be written by this user: {what}")
        elif apart:
            what = "fetch the decks from there with the job's key 'fetch'"
            found.append(f"{path} lies on another file system than the workspace: {what}")
    return found


def kind_of(path: Path, mounts: Path = MOUNTS) -> str:
    """Return the type of the file system on which a path lies, read from the mount table.

    The magic number would not do: ext2, ext3 and ext4 share one.
    """
    device = path.stat().st_dev
    wanted = f"{os.major(device)}:{os.minor(device)}"
    real = str(path.resolve())
    best, kind = -1, ""
    for line in mounts.read_text(encoding="utf-8", errors="surrogateescape").splitlines():
        fields, _, rest = line.partition(" - ")
        parts = fields.split()
        point = _ESCAPE.sub(lambda match: chr(int(match[1], 8)), parts[4])
        under = real == point or real.startswith(point.rstrip("/") + "/")
        # some file systems show another device number to stat than to the mount table
        rank = len(point) + (1 << 20 if parts[2] == wanted else 0)
        if under and rank > best:
            best, kind = rank, rest.split()[0]
    return kind

"""One service at a time in a workspace."""

from __future__ import annotations

import contextlib
import fcntl
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager

from deckwright.errors import RestartError, WorkspaceError
from deckwright.service.system.places import Workspace
from deckwright.service.system.standing import expect_workspace


class LockedError(RestartError):
    """Another process holds the workspace."""


@contextmanager
def locked(workspace: Workspace) -> Iterator[int]:
    """Hold the workspace; give the descriptor, which workers inherit: an orphan holds it too.

    It is the folder itself that is locked, since a file in it can be deleted and made anew; the
    file `lock` says who holds it.

    Raises:
        LockedError: another service holds it, named as well as it named itself.
        WorkspaceError: there is no workspace, or it may not be written.
    """
    expect_workspace(workspace)
    with contextlib.ExitStack() as stack:
        try:
            folder = os.open(workspace.root, os.O_RDONLY | os.O_DIRECTORY)
            stack.callback(os.close, folder)
            _lock(folder)
            words = os.open(workspace.lock, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o640)
            stack.callback(os.close, words)
        except BlockingIOError as error:
            msg = f"{workspace.root} is held by {_holder(workspace)}; end that service first"
            raise LockedError(msg) from error
        except OSError as error:
            what = (error.strerror or "").lower()
            msg = f"{workspace.root} cannot be used: {what}; give it to the user of the service"
            raise WorkspaceError(msg) from error
        with contextlib.suppress(OSError):  # only words for a person; a full disk must not matter
            os.ftruncate(words, 0)
            os.pwrite(words, f"process {os.getpid()} on {socket.gethostname()}\n".encode(), 0)
        yield folder


def is_locked(workspace: Workspace) -> bool:
    """Tell whether some process holds the workspace."""
    try:
        folder = os.open(workspace.root, os.O_RDONLY | os.O_DIRECTORY)
    except OSError:
        return False
    try:
        fcntl.flock(folder, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(folder)
    return False


def _holder(workspace: Workspace) -> str:
    """Return who holds the workspace, as it named itself."""
    with contextlib.suppress(OSError), workspace.lock.open("rb") as file:
        return file.read(200).decode("ascii", "replace").strip() or "another"
    return "another"


def _lock(descriptor: int) -> None:
    """Lock; a `status` that asks just now holds the lock for an instant, so ask more than once.

    Raises:
        BlockingIOError: it stays held.
    """
    for _ in range(9):
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        time.sleep(0.05)
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

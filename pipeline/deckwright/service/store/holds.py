"""Jobs that are held: a file each in `control`, so that a restart does not forget."""

from __future__ import annotations

import contextlib
import os
import re
from dataclasses import dataclass

from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.places import Workspace

_NAME = re.compile(r"^held-([A-Za-z0-9_][A-Za-z0-9._-]{0,63})$")


@dataclass(frozen=True, slots=True)
class JobHolds:
    """The held jobs of a workspace."""

    workspace: Workspace
    fs: Fs

    def __contains__(self, job: object) -> bool:
        # asked for many times a second: a text is made faster than a path
        return os.path.lexists(f"{self.workspace.root}/control/held-{job}")

    def hold(self, job: str, why: str) -> None:
        """Hold a job; the reason is kept with it."""
        aside = self.workspace.control / f"hold-{job}.tmp"
        if os.path.lexists(aside):
            self.fs.unlink(aside)
        self.fs.write_new(aside, why.encode("utf-8", "backslashreplace"))
        self.fs.replace(aside, self.workspace.control / f"held-{job}")
        self.fs.sync_folder(self.workspace.control)

    def resume(self, job: str) -> None:
        """Let a job go on."""
        self.fs.unlink(self.workspace.control / f"held-{job}")
        self.fs.sync_folder(self.workspace.control)

    def all(self) -> dict[str, str]:
        """Return every held job with the reason."""
        found = {}
        for name in sorted(names_in(self.workspace.control)):
            match = _NAME.match(name)
            if match:
                path = self.workspace.control / name
                why = b"for a reason that cannot be read"
                with contextlib.suppress(OSError):
                    why = self.fs.read(path, 1 << 20)
                found[match[1]] = why.decode("utf-8", "replace")
        return found


def held_because(why: str) -> str:
    """Return in words that a job is held, and why or by whom."""
    return f"the job is {why}" if why.startswith("held ") else f"the job is held: {why}"

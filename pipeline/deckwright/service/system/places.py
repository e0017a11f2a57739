"""Where things lie in a workspace, and what runs are called."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

RUN_NAME = re.compile(r"^[0-9a-f]{16}-[0-9a-f]{6}-[1-9][0-9]{0,8}$")
"""What the folder of a run is called."""

_SAFE = re.compile(r"^[A-Za-z0-9_][A-Za-z0-9._-]{0,63}$")
DECK, CLAIM, MANIFEST, REASONS, RUN = "deck", "claim.json", "manifest.json", "reasons.json", "out"
"""What lies in the folder of a run."""

MARKER = "marker"
"""A ready-marker that came with the deck, moved along with it."""

ACKNOWLEDGED = "acknowledged.json"
"""Who has taken note that a deck of an ended run is longer than what was run, and why."""

FAILED_PAGE = f"{RUN}-failed.html"
"""Shows the first failed cards of a run that was stopped; goes back with the deck."""

CAME = frozenset({DECK, CLAIM, MARKER})
"""What lies there before the run, and is kept through all its tries."""

PLACES = ("work", "hold", "done", "returned")
"""Where runs lie."""

FOLDERS = ("inbox", "work", "hold", "done", "returned", "master", "control", "tmp",
           "config/jobs", "config/layouts", "config/codes", "config/used")  # fmt: skip
"""What a workspace holds, in the order in which it is made."""


@dataclass(frozen=True)
class Workspace:
    """The folders of one service. `root` is absolute."""

    root: Path

    @cached_property
    def inbox(self) -> Path:
        """Where people lay decks, in a folder for each job."""
        return self.root / "inbox"

    @cached_property
    def work(self) -> Path:
        """Decks that were taken and wait or run."""
        return self.root / "work"

    @cached_property
    def hold(self) -> Path:
        """Decks that an operator holds back."""
        return self.root / "hold"

    @cached_property
    def done(self) -> Path:
        """Runs that are done."""
        return self.root / "done"

    @cached_property
    def returned(self) -> Path:
        """Decks that could not be run."""
        return self.root / "returned"

    @cached_property
    def master(self) -> Path:
        """Masters that runs move on, a folder each."""
        return self.root / "master"

    @cached_property
    def log(self) -> Path:
        """The log file, and the history of all runs by day."""
        return self.root / "log"

    @cached_property
    def control(self) -> Path:
        """Requests of operators, and the state that the service last told."""
        return self.root / "control"

    @cached_property
    def tmp(self) -> Path:
        """Scratch of workers; emptied at start."""
        return self.root / "tmp"

    @cached_property
    def config(self) -> Path:
        """Service file, jobs, layouts and codes."""
        return self.root / "config"

    @cached_property
    def used(self) -> Path:
        """Configs that decks were taken with, named by their SHA-256."""
        return self.root / "config" / "used"

    @cached_property
    def service_file(self) -> Path:
        """The service file."""
        return self.root / "config" / "service.toml"

    @cached_property
    def ledger(self) -> Path:
        """The ledger; it can be thrown away."""
        return self.root / "ledger.db"

    @cached_property
    def lock(self) -> Path:
        """Locked by the service that works here."""
        return self.root / "lock"

    def free_number(self, prefix: str, number: int) -> int:
        """Return the first number, from this one on, that no run that was put away has.

        The ledger may not know of all: a damaged one cannot be entered.
        """
        places = (self.done, self.returned, self.hold)
        while any(os.path.lexists(place / f"{prefix}-{number}") for place in places):
            number += 1
        return number


def is_run(entry: os.DirEntry[str]) -> bool:
    """Tell whether an entry of a folder is that of a run; links are none."""
    return RUN_NAME.match(entry.name) is not None and entry.is_dir(follow_symlinks=False)


def run_prefix(deck_sha256: str, name: bytes) -> str:
    """Return what all runs of these bytes under this name begin with."""
    return f"{deck_sha256[:16]}-{hashlib.sha256(name).hexdigest()[:6]}"


def shown(name: bytes | str) -> str:
    """Return a file name for people and logs: one line, nothing that a terminal would obey.

    Bytes that are no UTF-8, control and formatting characters and the backslash are written as
    escapes.
    """
    text = name if isinstance(name, str) else os.fsdecode(name)
    if text.isprintable() and "\\" not in text:
        return text
    return "".join(_escaped(each) for each in text)


def _escaped(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # noqa: PLR2004 # how Python holds a byte that is no UTF-8
        return f"\\x{code - 0xDC00:02x}"
    if character == "\\":
        return "\\\\"
    return character if character.isprintable() else character.encode("unicode-escape").decode()


def file_name_of(name: bytes) -> str:
    """Return the deck's name where it is safe as the name of an output, else `deck`.

    Safe are up to 64 letters, digits, dots, underscores and hyphens, the first one no dot or
    hyphen; names that a run folder uses itself are not.
    """
    text = os.fsdecode(name)
    return text if _SAFE.match(text) and text != "reasons.csv" else "deck"


def runs_in(folder: Path) -> list[str]:
    """Return the names of all runs in a folder of the workspace."""
    with os.scandir(folder) as entries:
        return sorted(entry.name for entry in entries if is_run(entry))


def foreign_in(workspace: Workspace) -> list[str]:
    """Return what lies among the runs and is none, as paths below the workspace."""
    found = []
    for place in PLACES:
        with os.scandir(workspace.root / place) as entries:
            found += [f"{place}/{entry.name}" for entry in entries if not is_run(entry)]
    return sorted(found)

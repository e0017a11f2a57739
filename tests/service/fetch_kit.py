"""A share, a workspace and the fetching between them, for tests."""

from __future__ import annotations

from pathlib import Path

from typing_extensions import override

from deckwright.jobs.service import LimitsSpec, ServiceSpec
from deckwright.service.inbox.fetching import SETTLE_S, Fetching
from deckwright.service.inbox.settling import Route
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace
from service.faults import FaultFs
from service.writers import SetClock

SPEC = ServiceSpec(limits=LimitsSpec(min_free="1 B"))
ROUTE = Route("first", (), None, require_marker=False)
DECK = b"X" * 80 + b"\n"
ERRORS = ["ENOSPC", "EIO", "EACCES", "EROFS", "EMFILE", "ESTALE"]


class KilledError(BaseException):
    """Stands for the end of the process, so that one test can cut off many."""


class CutFs(FaultFs):
    """Counts and fails steps; where it would end the process, it raises."""

    @override
    def die(self) -> None:
        raise KilledError


class Scene:
    """A share, a workspace, and the fetching between them."""

    def __init__(self, root: Path, spec: ServiceSpec = SPEC, route: Route = ROUTE) -> None:
        self.share = root / "share"
        self.share.mkdir()
        self.workspace = Workspace(root / "service")
        self.inbox = self.workspace.inbox / "first"
        self.inbox.mkdir(parents=True)
        self.workspace.tmp.mkdir()
        self.spec, self.route = spec, route
        self.clock = SetClock()
        self.begin()

    def begin(self, fs: Fs | None = None) -> None:
        """Begin as a freshly started service does."""
        self.fetching = Fetching(
            self.share, "first", self.route, self.workspace, self.spec, fs or Fs(), self.clock
        )

    def drop(self, name: str, data: bytes = DECK) -> Path:
        path = self.share / name
        path.write_bytes(data)
        return path

    def pass_time(self, seconds: float) -> list[str]:
        """Let time pass, second by second; return what was told."""
        told = []
        for _ in range(int(seconds)):
            told += self.fetching.round()
            self.clock.time += 1
        return told + self.fetching.round()

    def fetch(self) -> list[str]:
        return self.pass_time(3 * SETTLE_S)

    def lies(self, folder: Path) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}

    def take(self) -> list[bytes]:
        """Take all decks out of the inbox, as the service does."""
        taken = list(self.lies(self.inbox).values())
        for path in self.inbox.iterdir():
            path.unlink()
        return taken

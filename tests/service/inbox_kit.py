"""An inbox with folders, and a clock that a test sets."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import Route
from service.writers import SetClock

SETTLE = ServiceSpec().settle_s
STALL = ServiceSpec().stall_s
CARD = 80


class Box:
    """An inbox with folders, and a clock that a test sets."""

    def __init__(self, root: Path, *routes: Route, folder: str = "box", **options: Any) -> None:
        self.root, self.clock = root, SetClock()
        self.folder = root / folder
        self.folder.mkdir(parents=True, exist_ok=True)
        self.spec = ServiceSpec(**options)
        table = {folder: list(routes) or [Route("job", (), None, require_marker=False)]}
        self.inbox = Inbox(root, self.spec, table, self.clock)

    def put(self, name: str | bytes, data: bytes = b"X" * CARD) -> Path:
        path = self.folder / os.fsdecode(name)
        path.write_bytes(data)
        return path

    def look(self, later: float = 0.0) -> list[str]:
        """Let time pass, scan; return the names of what is ready."""
        self.clock.time += later
        self.inbox.scan()
        return [os.fsdecode(found.name) for found in self.inbox.ready()]

    def settle(self) -> list[str]:
        self.look()
        return self.look(self.spec.settle_s)

    def strays(self) -> dict[str, str]:
        return {stray.place: stray.why for stray in self.inbox.strays}

    def codes(self) -> dict[str, str]:
        return {os.fsdecode(found.name): code for found, code, _ in self.inbox.stalled()}


MARKED = Route("job", (), None, require_marker=True)
CARDS = Route("job", (), CARD, require_marker=False)


def make_link(path: Path) -> None:
    path.symlink_to("/etc/hostname")


def make_full_folder(path: Path) -> None:
    path.mkdir()
    (path / "inner").write_bytes(b"X")


def unreadable(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    """Make the system say that files may not be read, as it says to all but root."""
    asks = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode, **more: path not in names and asks(path, mode, **more)
    )

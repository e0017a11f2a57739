"""Append a line to a file for each deck that is done, returned or held."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Literal

from pydantic import field_validator
from typing_extensions import override

from deckwright import Notice, NoticeConfig, hookimpl

_TAKEN = frozenset({"inbox", "work", "hold", "done", "returned", "master", "control", "tmp",
                    "config", "lock"})  # fmt: skip
"""What the service keeps in a workspace; a line there would be in its way."""

_OPEN = os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


class AppendLineConfig(NoticeConfig):
    """Append a line to a file for each deck that is done, returned or held."""

    file: str
    """The file, relative to the workspace; it is made when it is not there, its folder is not."""
    form: Literal["plain", "json"] = "plain"
    """A sentence for people, or one JSON object."""

    @field_validator("file")
    @classmethod
    def _stays_inside(cls, name: str) -> str:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or not path.name or not name.isprintable():
            msg = "should be a path inside the workspace, such as 'notices.log'"
            raise ValueError(msg)
        if path.parts[0] in _TAKEN or path.parts[0].startswith("ledger.db"):
            msg = f"should not lie in {path.parts[0]!r}, which is the service's own"
            raise ValueError(msg)
        return name


class AppendLine(Notice[AppendLineConfig]):
    """Opens the file for each line, so that it may be moved away at any time."""

    kind = "append-line"

    @override
    def deck_done(
        self, run: str, job: str, deck: str, counts: Mapping[str, int], folder: str
    ) -> None:
        cards = ", ".join(f"{name} {count:,}" for name, count in counts.items())
        self._append(
            f"{job}: {deck} is done: {cards}; {folder}",
            event="deck_done", run=run, job=job, deck=deck, counts=dict(counts), folder=folder,
        )  # fmt: skip

    @override
    def deck_returned(self, run: str, job: str, deck: str, code: str, folder: str) -> None:
        self._append(
            f"{job}: {deck} came back ({code}); the reasons are in {folder}",
            event="deck_returned", run=run, job=job, deck=deck, code=code, folder=folder,
        )  # fmt: skip

    @override
    def deck_held(self, run: str, job: str, deck: str, why: str) -> None:
        self._append(
            f"{job}: {deck} is held: {why}",
            event="deck_held", run=run, job=job, deck=deck, why=why,
        )  # fmt: skip

    @override
    def job_held(self, job: str, why: str) -> None:
        self._append(f"{job} is held: {why}", event="job_held", job=job, why=why)

    def _append(self, sentence: str, **facts: object) -> None:
        now = datetime.now(UTC)
        if self.config.form == "json":
            text = json.dumps({"time": now.isoformat(timespec="seconds"), **facts})
        else:
            text = f"{now:%Y-%m-%d %H:%M:%S}Z {_one_line(sentence)}"
        append(self.workspace, self.config.file, text)


def append(workspace: Path, name: str, line: str) -> None:
    """Append a line in one write; a line that was cut off before stays apart from it.

    Raises:
        OSError: there is no room or no right, it is no file, or a link leads out of the workspace.
    """
    path = workspace / name
    if not path.parent.resolve(strict=True).is_relative_to(workspace.resolve()):
        raise OSError(errno.EXDEV, "a link leads out of the workspace", name)
    descriptor = os.open(path, _OPEN, 0o640)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "what stands there is not a file", name)
        size = os.lseek(descriptor, 0, os.SEEK_END)
        torn = size and os.pread(descriptor, 1, size - 1) != b"\n"
        data = ("\n" * bool(torn) + line + "\n").encode("utf-8", "backslashreplace")
        if os.write(descriptor, data) < len(data):
            raise OSError(errno.ENOSPC, "there is no room for the whole line", name)
    finally:
        os.close(descriptor)


def _one_line(text: str) -> str:
    """Return a text in which nothing ends the line or is obeyed by a terminal."""
    return "".join(
        each if each.isprintable() else each.encode("unicode-escape").decode() for each in text
    )


@hookimpl
def deckwright_notices() -> list[type[AppendLine]]:
    """Return the notices of this module."""
    return [AppendLine]

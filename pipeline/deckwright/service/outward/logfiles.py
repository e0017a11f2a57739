"""The log in the workspace: a file that is put aside when it is long, and a history of all runs.

Both are hints for people: nothing is decided from them, they are not flushed, and a line that a
power cut has spoilt is passed over by the reader. The history lies apart from the folders of the
runs, so that an ended run is never touched again.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

LOG = "service.jsonl"
"""The log file; earlier ones are `service.1.jsonl`, the latest of them, and so on."""

_FILE = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


class LogFiles:
    """Appends lines. What cannot be written is lost, and counted in the next line that can."""

    def __init__(self, folder: Path, size: int, kept: int) -> None:
        """Write below a folder, which is made when needed.

        Args:
            folder: the folder.
            size: bytes from which on the log file is put aside.
            kept: log files that are kept beside it.
        """
        self.folder, self.size, self.kept = folder, size, kept
        self.lost = 0
        self._open: dict[str, int] = {}

    def log(self, line: str) -> None:
        """Append a line to the log file."""
        written = self._append(LOG, line)
        if written >= self.size:
            with contextlib.suppress(OSError):
                self._put_aside()

    def history(self, day: str, line: str) -> None:
        """Append a line to the history of a day, such as `2031-05-06`."""
        self._append(history_name(day), line)

    def close(self) -> None:
        """Close the files."""
        while self._open:
            os.close(self._open.popitem()[1])

    def _append(self, name: str, line: str) -> int:
        """Return how long the file is now, 0 where nothing was written."""
        data = f"{line}\n".encode("utf-8", "backslashreplace")
        try:
            descriptor = self._descriptor(name)
            written = os.write(descriptor, data)
            if written < len(data):  # the disk is full; the rest would be a torn line
                os.ftruncate(descriptor, os.fstat(descriptor).st_size - written)
                self.lost += 1
                return 0
            return os.fstat(descriptor).st_size
        except OSError:
            self.lost += 1
            return 0

    def _descriptor(self, name: str) -> int:
        """Return an open file, opened anew where somebody has moved it away."""
        path = self.folder / name
        known = self._open.get(name)
        if known is not None:
            with contextlib.suppress(OSError):
                if os.fstat(known).st_ino == path.lstat().st_ino:
                    return known
            os.close(self._open.pop(name))
        if name != LOG:  # another day
            for old in [each for each in self._open if each != LOG]:
                os.close(self._open.pop(old))
        with contextlib.suppress(FileExistsError):
            self.folder.mkdir(0o750)
        self._open[name] = os.open(path, _FILE, 0o640)
        return self._open[name]

    def _put_aside(self) -> None:
        os.close(self._open.pop(LOG))
        names = [LOG, *(f"service.{number}.jsonl" for number in range(1, self.kept + 1))]
        if not self.kept:
            (self.folder / LOG).unlink()
        for older, newer in zip(reversed(names[1:]), reversed(names[:-1]), strict=True):
            with contextlib.suppress(FileNotFoundError):
                (self.folder / newer).replace(self.folder / older)


def history_name(day: str) -> str:
    """Return the name of the history of a day."""
    return f"history-{day}.jsonl"

"""Wakes the service when something comes into the inbox; what lies there, only a scan tells."""

from __future__ import annotations

import contextlib
import logging
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deckwright.service.system.places import shown

if TYPE_CHECKING:
    from watchdog.events import FileSystemEvent
    from watchdog.observers.api import BaseObserver, ObservedWatch
    from watchdog.utils import BaseThread

MOST_FOLDERS = 200
"""Folders of the inbox that are watched: each costs a thread."""

_POLL_S = 1.0
_JOIN_S = 10.0
_DESCRIPTORS = 4  # that a native observer opens, or a pair more


class Watcher:
    """Watches the inbox and each folder in it. None of its methods raises.

    Events may be lost, doubled or late: any of them calls `wake`, and nothing rests on one. Only
    a rename is told with its path, where the system tells of renames.

    Args:
        root: the inbox.
        kind: `native`: by the events of the system; `polling`: by looking at the times of the
            folders every second, for shares and network mounts; `none`: not at all.
        wake: called from other threads; it must not block.
        renamed: called before it, with the path to which something was renamed; likewise.
    """

    def __init__(
        self,
        root: Path,
        kind: str,
        wake: Callable[[], None],
        renamed: Callable[[str], None] | None = None,
    ) -> None:
        self._root, self._kind, self._wake, self._renamed = root, kind, wake, renamed
        self._running = False
        self._observer: BaseObserver | None = None
        self._helpers: list[BaseThread] = []
        self._watched: dict[str, _Watched] = {}

    def start(self) -> None:
        """Begin to watch; what does not work now, `check` tries again."""
        self._running = self._kind != "none"
        # its warnings hold names as they are, and would go to standard error
        logging.getLogger("watchdog").addHandler(logging.NullHandler())
        self.check()

    def stop(self) -> None:
        """Stop, and end all threads."""
        self._running = False
        self._close()

    def check(self) -> list[str]:
        """Make sure that all that should be watched is, as far as that can be done.

        A thread that died is replaced; a folder that is new, or another one than it was under this
        name, is watched from now on, and the service woken, since it may have missed something.

        Returns:
            Why decks may be found by the regular scan only; nothing when all is well.
        """
        if not self._running:
            return []
        try:
            return self._check()
        except Exception as error:  # noqa: BLE001 # whatever breaks here, scans go on
            self._close()
            return [f"the inbox is not watched: {_said(error)}"]

    def _check(self) -> list[str]:
        if self._observer and not all(thread.is_alive() for thread in self._helpers):
            self._close()
        if self._observer is None:
            self._open()
        wanted, reasons = self._wanted()
        for path, watched in list(self._watched.items()):
            if wanted.get(path) != watched.identity or not watched.is_alive():
                self._drop(path)
        new = [path for path in wanted if path not in self._watched]
        for path in new:
            reasons += self._add(path, wanted[path])
        if new:
            self._tell()
        return reasons

    # ---- what there is to watch

    def _wanted(self) -> tuple[dict[str, tuple[int, int]], list[str]]:
        """Return path and identity of each folder to watch, and what keeps others from it."""
        try:
            wanted = {os.fspath(self._root): _identity(self._root.stat())}
            folders = sorted(self._folders(os.fspath(self._root)), key=lambda each: each.name)
            if self._kind == "polling":
                return wanted, []  # it looks at the folders by itself
            for entry in folders[:MOST_FOLDERS]:
                with contextlib.suppress(FileNotFoundError):
                    wanted[entry.path] = _identity(entry.stat(follow_symlinks=False))
        except OSError as error:
            return {}, [f"the inbox is not watched: {_said(error)}"]
        few = f"{MOST_FOLDERS} of the {len(folders):,} folders of the inbox are watched"
        return wanted, [few] if len(folders) > MOST_FOLDERS else []

    # ---- the observer

    def _open(self) -> None:
        from watchdog.observers.inotify import InotifyObserver  # noqa: PLC0415 # only where asked for
        from watchdog.observers.polling import PollingObserverVFS  # noqa: PLC0415

        _need_descriptors()
        before = set(threading.enumerate())
        if self._kind == "polling":
            self._observer = PollingObserverVFS(os.stat, self._folders, polling_interval=_POLL_S)
        else:
            # all of them, so that a rename from elsewhere is told apart from a file that is made
            self._observer = InotifyObserver(generate_full_events=True)
        self._observer.start()
        self._helpers = [self._observer, *_new_threads(before)]

    def _folders(self, path: str | None) -> Iterator[os.DirEntry[str]]:
        """Yield the folders of the inbox: their times tell of what comes and goes in them."""
        if path == os.fspath(self._root):
            with os.scandir(self._root) as entries:
                for entry in entries:
                    if entry.is_dir(follow_symlinks=False):
                        yield entry

    def _close(self) -> None:
        threads = [self._observer, *self._helpers] if self._observer else []
        threads += [thread for each in self._watched.values() for thread in each.threads]
        self._observer, self._helpers, self._watched = None, [], {}
        # each by itself as well: an observer that is half dead does not get to the end of its own
        for thread in threads:
            with contextlib.suppress(Exception):
                thread.stop()
        for thread in threads:
            with contextlib.suppress(RuntimeError):  # it was never started
                thread.join(_JOIN_S)

    def _add(self, path: str, identity: tuple[int, int]) -> list[str]:
        """Watch a folder; return why that cannot be."""
        observer = self._observer
        if observer is None:
            return []
        before = set(threading.enumerate())
        try:
            if not os.access(path, os.R_OK, effective_ids=True):
                return [f"{self._name(path)} is not watched: it cannot be read"]
            deep = self._kind == "polling"
            handler: Any = _Handler(self._tell, self._renamed)
            watch = observer.schedule(
                handler, path, recursive=deep, event_filter=_events(polling=deep)
            )
        except FileNotFoundError:
            return []  # it has just gone; the next check knows it no more
        except Exception as error:  # noqa: BLE001 # limits, mostly; scans go on
            return [f"{self._name(path)} is not watched: {_said(error)}"]
        emitters = [each for each in observer.emitters.copy() if each.watch == watch]
        self._watched[path] = _Watched(watch, identity, [*emitters, *_new_threads(before)])
        return []

    def _drop(self, path: str) -> None:
        watched = self._watched.pop(path)
        if self._observer:
            self._observer.unschedule(watched.watch)

    def _name(self, path: str) -> str:
        folder = os.path.relpath(path, self._root)
        return "the inbox" if folder == "." else f"the inbox folder {shown(folder)}"

    def _tell(self) -> None:
        with contextlib.suppress(Exception):
            self._wake()


@dataclass(frozen=True, slots=True)
class _Watched:
    watch: ObservedWatch
    identity: tuple[int, int]
    threads: list[BaseThread]

    def is_alive(self) -> bool:
        # an observer says that it lives when the thread that reads for it is dead
        return all(thread.is_alive() for thread in self.threads)


class _Handler:
    """What an observer calls with each event."""

    def __init__(self, tell: Callable[[], None], renamed: Callable[[str], None] | None) -> None:
        self._tell, self._renamed = tell, renamed

    def dispatch(self, event: FileSystemEvent) -> None:
        if event.event_type == "moved":
            if not event.dest_path:
                return  # it went out of the inbox, mostly since the service took it
            if self._renamed:
                self._renamed(os.fsdecode(event.dest_path))
        self._tell()


def _events(*, polling: bool) -> list[Any]:
    """Return the events that may mean a deck: not those of the service's own reading."""
    from watchdog import events  # noqa: PLC0415 # only where it is asked for

    if polling:
        return [events.DirModifiedEvent, events.DirCreatedEvent, events.DirMovedEvent]
    return [
        events.FileCreatedEvent,
        events.FileMovedEvent,
        events.FileClosedEvent,
        events.DirCreatedEvent,
        events.DirMovedEvent,
    ]


def _new_threads(before: set[threading.Thread]) -> list[BaseThread]:
    from watchdog.utils import BaseThread  # noqa: PLC0415 # only where it is asked for

    return [
        each
        for each in threading.enumerate()
        if isinstance(each, BaseThread) and each not in before
    ]


def _need_descriptors() -> None:
    """Raise where an observer would run out of descriptors half-way, and leave some open.

    Raises:
        OSError: there are too few.
    """
    opened: list[int] = []
    try:
        while len(opened) < _DESCRIPTORS:
            opened += os.pipe()
    finally:
        for descriptor in opened:
            os.close(descriptor)


def _identity(status: os.stat_result) -> tuple[int, int]:
    return status.st_dev, status.st_ino


def _said(error: Exception) -> str:
    """Return what went wrong, without the path: it may be any bytes."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
    return text[:1].lower() + text[1:]

"""One look through the inbox: what waits, which decks come first, what lies in the wrong place."""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from pathlib import Path

from deckwright.service.inbox.settling import Route, Rules, Stamp, kind_of
from deckwright.service.store.markers import deck_of
from deckwright.service.system.patterns import matcher
from deckwright.service.system.places import shown

MOST_STRAYS = 1000
"""Entries of the list of strays; their number is given whole."""

KEPT, KEPT_OF_A_JOB = 2000, 50
"""Decks that are kept in mind, all in all; each job has a share of these, and never fewer than."""

Row = tuple[int, int, str, str, os.stat_result, os.stat_result | None]
"""Rank, mtime, name, ending of its marker, and the readings of deck and marker."""

_READABLE = 0o444
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_NAMED_FOLDERS = 5


@dataclass(frozen=True, slots=True)
class Stray:
    """Something in the inbox that is no job's, or that the service cannot take.

    place: path below the inbox, as `shown` writes it. why: a sentence that goes on from there.
    """

    place: str
    why: str


class Strays:
    """Collects strays; keeps the first `MOST_STRAYS` by place, counts all."""

    def __init__(self) -> None:
        self.count = 0
        self._listed: list[tuple[str, str]] = []

    def add(self, folder: str, name: str, why: str) -> None:
        """Add an entry; name: empty for the folder itself."""
        self.count += 1
        self._listed.append((shown(f"{folder}/{name}".strip("/")) or ".", why))
        if len(self._listed) >= 2 * MOST_STRAYS:
            self._cut()

    def listed(self) -> list[Stray]:
        """Return the entries, by place."""
        self._cut()
        return [Stray(place, why) for place, why in self._listed]

    def _cut(self) -> None:
        self._listed.sort()
        del self._listed[MOST_STRAYS:]


class _Oldest:
    """Keeps the rows that come first, however many are offered."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._rows: list[Row] = []
        self._bar: Row | None = None

    def offer(self, row: Row) -> None:
        if self._bar is None or row < self._bar:
            self._rows.append(row)
            if len(self._rows) >= 2 * self._most:
                self.rows()

    def rows(self) -> list[Row]:
        self._rows.sort()
        del self._rows[self._most :]
        self._bar = self._rows[-1] if len(self._rows) == self._most else None
        return self._rows


@dataclass(frozen=True, slots=True)
class Seen:
    """A deck that one look saw. suffix, marker: ending and stamp of the marker that lets it in."""

    folder: str
    name: str
    route: Route
    stamp: Stamp
    suffix: str
    marker: Stamp | None


class Look:
    """One look.

    Files that can be taken come before those that cannot, then those with the oldest mtime: what
    waits for its sender does not keep out what is ready. File times only make this order; they
    are never compared with the time of day.

    Args:
        root: the inbox.
        routes: by name of an inbox folder, who takes what of it; the first that fits does.
        rules: what no deck may be.
        ignored: patterns of names to pass over.
        late: folder and name of files that were put off.
    """

    def __init__(
        self,
        root: Path,
        routes: Mapping[str, Sequence[Route]],
        rules: Rules,
        ignored: tuple[str, ...],
        late: AbstractSet[tuple[str, str]],
    ) -> None:
        self.strays = Strays()
        self.waiting: Counter[str] = Counter()
        self._root, self._routes, self._rules, self._late = root, routes, rules, late
        self._ignored = matcher(ignored).match
        jobs = [(folder, route) for folder, each in routes.items() for route in each]
        most = max(KEPT_OF_A_JOB, KEPT // (len(jobs) or 1))
        self._oldest = {(folder, route.job): _Oldest(most) for folder, route in jobs}

    def walk(self) -> None:
        """Look through the inbox and the folder of each job. Never raises for what lies there."""
        try:
            root = os.open(self._root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except OSError as error:
            self.strays.add("", "", _unfit(error, "the inbox"))
            return
        try:
            self._strangers(root)
            for folder, routes in self._routes.items():
                marked = any(route.require_marker for route in routes)
                self._each(root, folder, self._with_markers if marked else self._file)
        finally:
            os.close(root)

    def seen(self) -> Iterator[Seen]:
        """Yield the decks to keep in mind, of each job the first ones.

        A deck with markers of both kinds comes twice, that with the digest last.
        """
        for folder, routes in self._routes.items():
            for route in routes:
                for _, _, name, suffix, status, marker in self._oldest[folder, route.job].rows():
                    stamp = Stamp.of(marker) if marker else None
                    yield Seen(folder, name, route, Stamp.of(status), suffix, stamp)

    # ---- what is no job's

    def _strangers(self, root: int) -> None:
        """List what lies in the inbox itself, and in folders of no job."""
        folders = []
        try:
            with os.scandir(root) as entries:
                for entry in entries:
                    if entry.name in self._routes or self._ignored(entry.name):
                        continue
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(entry.name)
                    else:
                        self._homeless(root, entry.name)
        except OSError as error:
            self.strays.add("", "", _unfit(error, "the inbox"))
        for folder in folders:
            self._each(root, folder, lambda place, entry: self._homed_wrong(place, entry.name))

    def _homed_wrong(self, place: _Place, name: str) -> None:
        if not self._ignored(name):
            self.strays.add(place.folder, name, "lies in a folder that is no job's")

    def _homeless(self, root: int, name: str) -> None:
        status = self._read(_Place("", root, ()), name)
        if status is None:
            return
        named = [shown(folder) for folder in sorted(self._routes)[:_NAMED_FOLDERS]]
        more = ", ..." if len(self._routes) > _NAMED_FOLDERS else ""
        why = f"lies in no job's folder; there are: {', '.join(named)}{more}"
        self.strays.add("", name, why if _is_file(status) else kind_of(status.st_mode))

    # ---- the folder of a job

    def _each(
        self, root: int, folder: str, meet: Callable[[_Place, os.DirEntry[str]], None]
    ) -> None:
        """Go through a folder of the inbox; whatever goes wrong with it makes it a stray."""
        try:
            descriptor = os.open(folder, _FOLDER, dir_fd=root)
            try:
                place = _Place(folder, descriptor, self._routes.get(folder, ()))
                with os.scandir(descriptor) as entries:
                    for entry in entries:
                        meet(place, entry)
            finally:
                os.close(descriptor)
        except OSError as error:
            self.strays.add(folder, "", _unfit(error, "the folder"))

    def _with_markers(self, place: _Place, entry: os.DirEntry[str]) -> None:
        marks = deck_of(entry.name)
        if marks and not self._ignored(marks[0]):
            self._marker(place, entry, *marks)
        else:
            self._file(place, entry)

    def _file(self, place: _Place, entry: os.DirEntry[str]) -> None:
        if self._ignored(entry.name):
            return
        status = self._read(place, entry.name)
        if status is None:
            return
        route = self._route(place, entry.name, status)
        if route is None:
            return
        self.waiting[route.job] += 1
        if self._may_read(place, entry.name, status) and not route.require_marker:
            self._offer(place, route, entry.name, "", status, None)

    def _marker(self, place: _Place, entry: os.DirEntry[str], name: str, suffix: str) -> None:
        """Take up the deck of a marker: decks without one need not be kept in mind."""
        marker = self._read(place, entry.name)
        if marker is None:
            return
        if not _is_file(marker):
            self.strays.add(place.folder, entry.name, kind_of(marker.st_mode))
            return
        status = self._read(place, name)
        if status is None:
            why = f"marks {shown(name)} as complete, and there is no such deck"
            self.strays.add(place.folder, entry.name, why)
            return
        route = next((each for each in place.routes if each.takes(name)), None)
        if (
            route
            and route.require_marker
            and _is_file(status)
            and _is_readable(place, name, status)
        ):
            self._offer(place, route, name, suffix, status, marker)

    def _offer(
        self,
        place: _Place,
        route: Route,
        name: str,
        suffix: str,
        status: os.stat_result,
        marker: os.stat_result | None,
    ) -> None:
        sound = self._rules.sound(status, route.card_bytes)
        late = bool(self._late) and (place.folder, name) in self._late
        rank = 1 if late or not sound else -int(route.hurries(name))
        row = (rank, status.st_mtime_ns, name, suffix, status, marker)
        self._oldest[place.folder, route.job].offer(row)

    def _read(self, place: _Place, name: str) -> os.stat_result | None:
        try:
            return os.stat(name, dir_fd=place.descriptor, follow_symlinks=False)
        except FileNotFoundError:
            return None  # went away meanwhile
        except OSError as error:
            self.strays.add(place.folder, name, _unfit(error, "it"))
            return None

    def _route(self, place: _Place, name: str, status: os.stat_result) -> Route | None:
        if not _is_file(status):
            self.strays.add(place.folder, name, kind_of(status.st_mode))
            return None
        for route in place.routes:
            if route.takes(name):
                return route
        self.strays.add(place.folder, name, "has a name that no job of this folder takes")
        return None

    def _may_read(self, place: _Place, name: str, status: os.stat_result) -> bool:
        readable = _is_readable(place, name, status)
        if not readable:
            self.strays.add(place.folder, name, "may not be read by the service")
        return readable


@dataclass(frozen=True, slots=True)
class _Place:
    folder: str
    descriptor: int
    routes: Sequence[Route]


def _is_file(status: os.stat_result) -> bool:
    return stat.S_ISREG(status.st_mode)


def _is_readable(place: _Place, name: str, status: os.stat_result) -> bool:
    """Ask the system only where the mode leaves a doubt."""
    if status.st_mode & _READABLE == _READABLE:
        return True
    try:
        return os.access(name, os.R_OK, dir_fd=place.descriptor, effective_ids=True)
    except OSError:
        return False


def _unfit(error: OSError, what: str) -> str:
    if isinstance(error, FileNotFoundError):
        return f"{what} is missing"
    if isinstance(error, NotADirectoryError):
        return f"{what} is none, or is a symbolic link, and links are not followed"
    return f"{what} cannot be read: {error.strerror}"

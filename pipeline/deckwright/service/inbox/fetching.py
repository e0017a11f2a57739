"""Bringing decks from a folder on another file system or a share into the inbox.

A deck is copied aside, compared, given its name in the inbox and flushed; only then is the
original removed. A cut in between leaves the original, and a second drop of the same bytes.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import heapq
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.settling import (
    OPEN_END,
    Found,
    NotSettledError,
    Route,
    Rules,
    Stamp,
    StrayError,
    half_written,
    kind_of,
    open_deck,
)
from deckwright.service.store.markers import OK, SHA256, digest_in, is_ok_of
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs, SyncError, digest_of, digest_of_file
from deckwright.service.system.patterns import matcher
from deckwright.service.system.places import Workspace, shown

SETTLE_S = 30.0
"""A file on a share must look the same for so long at least: what others write shows late there."""

MOST = 2000
"""Files that are kept in mind; of more, the oldest."""

A_ROUND = 16
"""Decks that are brought in one go, so that the service gets on with other work."""


@dataclass(slots=True)
class _Seen:
    """A file as it was last read, and since when by the steady clock it looks so.

    why: what failed when it was last tried; empty when it was not.
    """

    name: str
    stamp: Stamp
    since: float
    marker: str = ""
    why: str = ""


class _LeftError(Exception):
    """A deck stays where it lies; says why."""


class Fetching:
    """Brings decks of one job from elsewhere.

    Attributes:
        waiting: decks that lay there at the last look.
    """

    def __init__(
        self,
        source: Path,
        folder: str,
        route: Route,
        workspace: Workspace,
        spec: ServiceSpec,
        fs: Fs,
        clock: Clock,
    ) -> None:
        """Take a folder to look into.

        Args:
            source: where the decks lie; relative to the workspace when it is not absolute.
            folder: name of the job's folder in the inbox.
            route: which names the job takes, and whether markers are wanted.
            workspace: where they go.
            spec: waits, limits, names to pass over.
            fs: the steps.
            clock: the steady time.
        """
        self.source = workspace.root / source
        self.waiting = 0
        self._inbox, self._aside = workspace.inbox / folder, workspace.tmp
        self._route, self._spec, self._fs, self._clock = route, spec, fs, clock
        rules = Rules.of(spec)
        self._rules = dataclasses.replace(rules, settle_s=max(SETTLE_S, rules.settle_s))
        self._known: dict[str, _Seen] = {}
        self._stuck: dict[str, Stamp] = {}
        self._told: dict[str, str] = {}
        self._due = float("-inf")

    def next_due(self) -> float:
        """Return the steady time from which on `round` has something to do."""
        return self._due

    def round(self) -> list[str]:
        """Look, and bring what has settled; does nothing before its time.

        Returns:
            What a person should look at, each once.

        Raises:
            SyncError: the inbox could not be flushed; nothing is lost, begin again.
        """
        now = self._clock.steady()
        if now < self._due:
            return []
        self._due = now + self._spec.scan_s
        told: dict[str, str] = {}
        through = True
        try:
            self._look(now, told)
            through = self._bring_settled(now, told)
        except SyncError:
            raise
        except OSError as error:
            told[""] = f"{shown(str(self.source))} cannot be read: {_cause(error)}"
        fresh = [text for name, text in told.items() if self._told.get(name) != text]
        self._told = told if through else {**self._told, **told}
        return fresh

    # ---- looking

    def _look(self, now: float, told: dict[str, str]) -> None:
        """Read all names once, and join what is seen to what was known."""
        if not os.access(self.source, os.R_OK | os.W_OK | os.X_OK):
            self.source.stat()  # says what is wrong where it is not the right to write
            what = "may not be written, so no deck is fetched from it"
            told[""] = f"{shown(str(self.source))} {what}"
            self._known.clear()
            return
        ignored = matcher(tuple(self._spec.ignore))
        self.waiting = 0
        seen = heapq.nsmallest(MOST, self._files(ignored, told), key=lambda one: one.stamp.mtime_ns)
        known, self._known = self._known, {}
        for one in seen:
            before = known.get(one.name)
            one.since = now
            if before is not None and before.stamp == one.stamp:
                one.since, one.why = before.since, before.why
            self._known[one.name] = one
        self._stuck = {name: stamp for name, stamp in self._stuck.items() if name in self._known}

    def _files(self, ignored: re.Pattern[str], told: dict[str, str]) -> Iterator[_Seen]:
        with os.scandir(self.source) as entries:
            for entry in entries:
                if ignored.match(entry.name) or not self._route.takes(entry.name):
                    continue
                try:
                    status = entry.stat(follow_symlinks=False)
                except FileNotFoundError:
                    continue
                if not stat.S_ISREG(status.st_mode):
                    self._tell(told, entry.name, kind_of(status.st_mode))
                    continue
                marker = self._marker(entry.name) if self._route.require_marker else ""
                self.waiting += 1
                if marker is not None:
                    yield _Seen(entry.name, Stamp.of(status), 0.0, marker)

    def _marker(self, name: str) -> str | None:
        """Return the name of the file that says that a deck is complete; None: there is none."""
        marks = (name + suffix for suffix in (SHA256, OK))
        return next((mark for mark in marks if os.path.lexists(self.source / mark)), None)

    def _tell(self, told: dict[str, str], name: str, what: str) -> None:
        if len(told) < MOST:
            told[name] = f"{shown(str(self.source / name))} {what}"

    # ---- bringing

    def _bring_settled(self, now: float, told: dict[str, str]) -> bool:
        """Bring decks; return whether all were looked at."""
        brought = 0
        for one in list(self._known.values()):
            verdict = self._rules.judge(one.stamp, self._route.card_bytes)
            if now < one.since + verdict.wait_s:
                if one.why:
                    self._tell(told, one.name, one.why)
                self._due = min(self._due, one.since + verdict.wait_s)
                continue
            if self._may_grow(one) and now < one.since + self._rules.stall_s:
                self._tell(told, one.name, OPEN_END)
                self._due = min(self._due, one.since + self._rules.stall_s)
                continue
            if self._stuck.get(one.name) == one.stamp:
                self._tell(told, one.name, "was fetched and cannot be removed; remove it")
                continue
            if brought == A_ROUND:
                self._due = now
                return False
            try:
                if verdict.code:
                    raise _LeftError(verdict.sentence)  # noqa: TRY301 # told like all that stays
                self._bring(one)
                brought += 1
                del self._known[one.name]
            except _LeftError as error:
                one.why = f"{error}; it is left there"
                self._tell(told, one.name, one.why)
            except NotSettledError:
                del self._known[one.name]
        return True

    def _may_grow(self, one: _Seen) -> bool:
        """Tell whether a deck of lines ends inside a line, and no marker says that it is whole."""
        longest = self._route.longest
        if longest is None or one.marker:
            return False
        found = Found("", os.fsencode(one.name), self.source / one.name, one.stamp, None)
        return half_written(found, longest, self._spec) and not self._is_whole(one)

    def _is_whole(self, one: _Seen) -> bool:
        """Tell whether a marker of a job that needs none is about this very deck; it stays there.

        In the inbox the deck has been renamed to its place, so that it needs none there.
        """
        path = self.source / one.name
        ok, sha256 = (path.with_name(one.name + suffix) for suffix in (OK, SHA256))
        with contextlib.suppress(OSError):
            if is_ok_of(os.fspath(ok), one.stamp.mtime_ns):
                return True
        with contextlib.suppress(OSError):
            digest = digest_in(os.fspath(sha256))
            return digest is not None and digest == digest_of_file(path)[1]
        return False

    def _bring(self, one: _Seen) -> None:
        """Bring a deck, its marker first, so that the inbox never has to wait for it.

        Raises:
            _LeftError: not now, and why.
            NotSettledError: it changed meanwhile.
            SyncError: the inbox could not be flushed.
        """
        self._check_room(one.stamp.size)
        if os.path.lexists(self._inbox / one.name):
            what = "bears a name that a deck in the inbox has"
            raise _LeftError(what)
        try:
            if one.marker:
                self._copy(one.marker, None)
            self._copy(one.name, one.stamp)
        except StrayError as error:
            raise _LeftError(error.why) from error
        except SyncError:
            raise
        except OSError as error:
            one.since = self._clock.steady()
            what = f"could not be fetched: {_cause(error)}"
            raise _LeftError(what) from error
        self._remove(one)

    def _check_room(self, size: int) -> None:
        status = os.statvfs(self._aside)
        free = status.f_bavail * status.f_frsize
        if free < max(parse_size(self._spec.limits.min_free), 4 * size):
            what = "waits for room in the workspace"
            raise _LeftError(what)

    def _copy(self, name: str, stamp: Stamp | None) -> None:
        """Copy a file into the inbox; the original stays.

        Args:
            name: of the file.
            stamp: how a deck must look before and after; None for a marker.
        """
        target = self._inbox / name
        seen = stamp or Stamp.of((self.source / name).lstat())
        found = Found("", os.fsencode(name), self.source / name, seen, None)
        aside = self._aside / f"fetch-{hashlib.sha256(found.name).hexdigest()[:32]}"
        descriptor = open_deck(found, self._spec)
        try:
            if stamp is None and _is_copy(target, descriptor):
                return  # brought by an attempt that was cut off
            self._copy_aside(descriptor, aside)
            _check_copy(aside, descriptor, found)
            self._fs.rename_new(aside, target)
        except Exception:
            self._drop(aside)
            raise
        finally:
            os.close(descriptor)
        self._fs.sync_folder(self._inbox)

    def _copy_aside(self, descriptor: int, aside: Path) -> None:
        if os.path.lexists(aside):  # left by an attempt that was cut off
            self._fs.unlink(aside)
        try:
            # the open file itself, whatever bears its name by now
            self._fs.copy_new(Path(f"/proc/self/fd/{descriptor}"), aside)
        except SyncError as error:
            # this copy never was; only a flush of the inbox is a matter for the whole service
            raise OSError(error.errno, error.strerror) from error

    def _drop(self, aside: Path) -> None:
        if os.path.lexists(aside):
            with contextlib.suppress(OSError):
                self._fs.unlink(aside)

    def _remove(self, one: _Seen) -> None:
        """Take the original away, unless it is another file by now."""
        original = self.source / one.name
        try:
            if Stamp.of(original.lstat()) != one.stamp:
                return
            self._fs.unlink(original)
            if one.marker:
                self._fs.unlink(self.source / one.marker)
        except FileNotFoundError:
            return
        except OSError as error:
            self._stuck[one.name] = one.stamp
            what = f"was fetched and cannot be removed: {_cause(error)}"
            raise _LeftError(what) from error
        with contextlib.suppress(OSError):  # if the original comes back it is a second drop
            self._fs.sync_folder(self.source)


def _is_copy(path: Path, descriptor: int) -> bool:
    return os.path.lexists(path) and digest_of_file(path) == digest_of(descriptor)


def _check_copy(aside: Path, descriptor: int, found: Found) -> None:
    """Make sure that a copy is right and that the original is still as it was seen.

    Raises:
        NotSettledError: it is not.
    """
    same = digest_of_file(aside) == digest_of(descriptor)
    if not same or Stamp.of(os.fstat(descriptor)) != found.stamp:
        raise NotSettledError(found, "has changed")


def _cause(error: OSError) -> str:
    return (error.strerror or str(error)).lower()

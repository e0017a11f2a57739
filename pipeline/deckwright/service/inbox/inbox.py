"""The inbox: which decks are settled, which wait, and which will never be complete."""

from __future__ import annotations

import dataclasses
import os
import stat
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from pathlib import Path

from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.scan import KEPT, Look, Seen, Stray, Strays
from deckwright.service.inbox.settling import (
    OPEN_END,
    STILL_OPEN,
    Found,
    Route,
    Rules,
    Stamp,
    Verdict,
    half_written,
)
from deckwright.service.store.markers import OK, SHA256, digest_in, is_ok_of
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import shown

_Key = tuple[str, str]


class Inbox:
    """What lies in the inbox, as far as this process has seen with its own eyes.

    A file is settled once two readings that are far enough apart, by the steady clock, agree.
    Only `scan` looks for names; `ready` and `stalled` read again what is due among those known.

    Attributes:
        waiting: decks at the last scan, however many: all files that a job takes, whether they
            are complete, readable or not.
        waiting_of: the same for each job.
        strays: what lies where nobody takes it, or cannot be taken, by place; the first 1,000.
        strays_in_all: how many strays there are.

    Args:
        root: the inbox.
        spec: waits, limits and names to pass over.
        routes: by name of an inbox folder, who takes what of it; the first that fits does.
        clock: the steady time.
        renamed: stamps of files that a rename brought here, as far as that is known.
    """

    def __init__(
        self,
        root: Path,
        spec: ServiceSpec,
        routes: Mapping[str, Sequence[Route]],
        clock: Clock,
        renamed: Container[Stamp] = (),
    ) -> None:
        self.waiting = 0
        self.waiting_of: dict[str, int] = {}
        self.strays: list[Stray] = []
        self.strays_in_all = 0
        self._root, self._routes, self._clock, self._renamed = root, routes, clock, renamed
        self.patient = True
        """Whether decks that end inside a line are given time."""
        self._spec, self._rules, self._ignored = spec, Rules.of(spec), tuple(spec.ignore)
        self._known: dict[_Key, _Known] = {}
        self._late: set[_Key] = set()
        self._sorted: _Sorted | None = None

    def scan(self) -> None:
        """Look through the inbox once. Never raises for what lies there, or for its absence.

        It takes a few microseconds a name, and memory for some 2,000 decks and 1,000 strays.
        """
        look = Look(self._root, self._routes, self._rules, self._ignored, self._late)
        begin = self._clock.steady()
        look.walk()
        end = self._clock.steady()
        before, self._known, self._sorted = self._known, {}, None
        for seen in look.seen():
            key = seen.folder, seen.name
            known = self._taken_up(before.get(key), seen, begin, end, look.strays)
            if known:
                self._known[key] = known
                if not known.why:
                    self._late.discard(key)
        self.waiting_of = dict(look.waiting)
        self.waiting = look.waiting.total()
        self.strays, self.strays_in_all = look.strays.listed(), look.strays.count

    def ready(self) -> list[Found]:
        """Return the decks that may be taken, oldest first."""
        found = [found for queue in self._sort().ready.values() for found in queue]
        return sorted(found, key=_age)

    def queues(self) -> dict[str, list[Found]]:
        """Return the decks that may be taken by the job that takes them, oldest first."""
        return {job: list(queue) for job, queue in self._sort().ready.items() if queue}

    def stalled(self) -> list[tuple[Found, str, str]]:
        """Return the decks that are to be returned: each with a code and a sentence."""
        return [
            (known.found, known.verdict.code, known.verdict.sentence)
            for known in self._sort().stalled
        ]

    def next_due(self) -> float | None:
        """Return the time, by the steady clock, at which a known file may settle or stall.

        A call of `ready` is enough then; it need not be a scan.
        """
        due = self._sorted.due if self._sorted else self._due()
        return None if due == inf else due

    def job_of(self, found: Found) -> str | None:
        """Return the job that takes a file; None where none does."""
        name = os.fsdecode(found.name)
        routes = self._routes.get(found.folder, ())
        return next((route.job for route in routes if route.takes(name)), None)

    def forget(self, found: Found) -> None:
        """Drop a file that was taken or has vanished."""
        self._late.discard(_key(found))
        known = self._known.pop(_key(found), None)
        if known and self._sorted and not self._sorted.drop(known):
            self._sorted = None
        if known and self.waiting_of.get(known.seen.route.job):
            self.waiting_of[known.seen.route.job] -= 1
            self.waiting -= 1

    def put_off(self, found: Found, why: str) -> None:
        """Begin the two readings of a file anew, since it could not be opened or taken.

        Args:
            found: the file.
            why: a sentence with which it is listed until it changes or goes.
        """
        known = self._known.get(_key(found))
        if known:
            self._complain(known, why)
            known.held |= why == STILL_OPEN
            known.since = known.last = self._clock.steady()

    def refuse(self, found: Found, code: str, sentence: str) -> None:
        """Offer a file no more unless it or its marker changes; if not, it stalls.

        For a deck that is whole by its looks and yet not what its marker says.
        """
        known = self._known.get(_key(found))
        if known and known.seen.stamp == found.stamp:
            known.verdict = Verdict(self._rules.stall_s, code, sentence)
            self._complain(known, sentence)

    def _complain(self, known: _Known, why: str) -> None:
        known.why, self._sorted = why, None
        if len(self._late) >= KEPT:
            self._late.clear()  # it only makes an order
        self._late.add(_key(known.found))

    # ---- readings

    def _taken_up(
        self, known: _Known | None, seen: Seen, begin: float, end: float, strays: Strays
    ) -> _Known | None:
        """Join what a look saw to what was known; None: its marker does not let it in.

        A first reading counts from the end of its look and a second one to the begin of it, so
        that a long look does not make them seem further apart than they are.
        """
        if known and known.seen.stamp == seen.stamp and known.seen.marker == seen.marker:
            known.last = max(known.last, begin)
            if known.half and (seen.stamp in self._renamed or self._let_in(known)):
                known.half, known.why, known.verdict = False, "", self._judge(seen)
            if known.why:
                strays.add(seen.folder, seen.name, known.why)
            return known
        digest = None
        if seen.suffix == SHA256:
            digest = self._digest(seen, strays)
            if digest is None:
                self._known.pop((seen.folder, seen.name), None)
                return None
        fresh = _Known(self._found(seen, digest), seen, self._judge(seen), end, end)
        fresh.held = known is not None and known.held and known.seen.stamp.inode == seen.stamp.inode
        if known and known.seen.stamp == seen.stamp:
            fresh.since, fresh.last = known.since, max(known.last, begin)
        return fresh

    def _sort(self) -> _Sorted:
        """Return what is through; looked for anew only when something is due or has changed.

        The service asks many times a second, and thousands of decks may wait.
        """
        now = self._clock.steady()
        if self._sorted is None or now >= self._sorted.due:
            self._read_again(now)
            for known in self._known.values():
                if known.through:
                    self._look_at_end(known)
            through = [known for known in self._known.values() if known.through]
            through.sort(key=lambda known: (known.seen.stamp.mtime_ns, known.seen.name))
            made = _Sorted(self._due())
            for known in through:
                if known.verdict.code:
                    made.stalled.append(known)
                else:
                    made.ready.setdefault(known.seen.route.job, []).append(known.found)
            self._sorted = made
        return self._sorted

    def _due(self) -> float:
        """Return when the first file that is not through is due; infinity where all are."""
        return min((known.due for known in self._known.values() if not known.through), default=inf)

    def _read_again(self, now: float) -> None:
        waits = [(key, known) for key, known in self._known.items() if not known.through]
        for key, known in waits:
            if known.due > now:
                continue
            begin = self._clock.steady()
            try:
                status = known.found.path.lstat()
            except OSError:
                del self._known[key]
                continue
            if not stat.S_ISREG(status.st_mode):
                del self._known[key]
            elif known.seen.stamp == Stamp.of(status):
                known.last = begin
            else:
                self._known[key] = self._begun(known, Stamp.of(status))

    def _begun(self, known: _Known, stamp: Stamp) -> _Known:
        old = known.seen
        seen = Seen(old.folder, old.name, old.route, stamp, old.suffix, old.marker)
        now = self._clock.steady()
        found = self._found(seen, known.found.marker_sha256)
        return _Known(found, seen, self._judge(seen), now, now, held=known.held)

    # ---- decks that end inside a line

    def _look_at_end(self, known: _Known) -> None:
        """Look, once, at the end of a deck that settled; give its writer time if it needs that."""
        seen = known.seen
        longest = seen.route.longest
        if known.looked or known.verdict.code or longest is None or not self.patient:
            return
        known.looked = True
        # who renamed it here, or held it open for long and has closed it, is through with it
        if known.found.marker or known.held or seen.stamp in self._renamed:
            return
        if not half_written(known.found, longest, self._spec):
            return
        if not self._let_in(known):
            known.half = True
            known.verdict = Verdict(max(self._rules.stall_s, self._rules.settle_s))
            self._complain(known, OPEN_END)

    def _let_in(self, known: _Known) -> bool:
        """Take up a marker that says that a deck is whole, where none had to lie there."""
        for suffix in (SHA256, OK):
            name = known.seen.name + suffix
            path = os.fspath(self._root / known.seen.folder / name)
            try:
                digest = digest_in(path) if suffix == SHA256 else None
                fits = bool(digest) or (suffix == OK and is_ok_of(path, known.seen.stamp.mtime_ns))
            except OSError:
                continue
            if fits:
                known.found = dataclasses.replace(
                    known.found, marker=os.fsencode(name), marker_sha256=digest
                )
                return True
        return False

    def _judge(self, seen: Seen) -> Verdict:
        return self._rules.judge(seen.stamp, seen.route.card_bytes)

    def _found(self, seen: Seen, digest: str | None) -> Found:
        return Found(
            folder=seen.folder,
            name=os.fsencode(seen.name),
            path=self._root / seen.folder / seen.name,
            stamp=seen.stamp,
            marker_sha256=digest,
            marker=os.fsencode(seen.name + seen.suffix) if seen.suffix else b"",
        )

    def _digest(self, seen: Seen, strays: Strays) -> str | None:
        name = seen.name + seen.suffix
        try:
            digest = digest_in(os.fspath(self._root / seen.folder / name))
        except OSError as error:
            strays.add(seen.folder, name, f"cannot be read: {error.strerror}")
            return None
        if digest is None:
            strays.add(seen.folder, name, f"names no SHA-256; {shown(seen.name)} waits for it")
        return digest


@dataclass(slots=True)
class _Known:
    """A file, what becomes of it, and the times of its first and last reading in this state.

    why: put off or refused for this reason. held: somebody had it open when it seemed settled.
    looked: its end was looked at. half: it ends inside a line, and is given time for that.
    """

    found: Found
    seen: Seen
    verdict: Verdict
    since: float
    last: float
    why: str = ""
    held: bool = False
    looked: bool = False
    half: bool = False

    @property
    def through(self) -> bool:
        return self.last >= self.due

    @property
    def due(self) -> float:
        """From when on a reading decides."""
        return self.since + self.verdict.wait_s


@dataclass(slots=True)
class _Sorted:
    """What is through. due: steady time from which on it must be looked for anew.

    ready: by job, oldest first. stalled: what is to be returned.
    """

    due: float
    ready: dict[str, list[Found]] = field(default_factory=dict)
    stalled: list[_Known] = field(default_factory=list)

    def drop(self, known: _Known) -> bool:
        """Drop what was taken; False where it is not here."""
        queue = self.ready.get(known.seen.route.job, [])
        if known.found in queue:
            queue.remove(known.found)
            return True
        return False


def _age(found: Found) -> tuple[int, str]:
    return found.stamp.mtime_ns, os.fsdecode(found.name)


def _key(found: Found) -> _Key:
    return found.folder, os.fsdecode(found.name)

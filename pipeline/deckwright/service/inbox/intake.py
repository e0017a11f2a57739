"""Taking decks out of the inbox: only as many as are soon run, and only while there is room."""

from __future__ import annotations

import dataclasses
import errno
import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from deckwright.errors import RestartError
from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.settling import Found, NotSettledError, StrayError, open_deck
from deckwright.service.runs.room import ROOM_WAIT_S, TIMES, mib
from deckwright.service.runs.runs import Runs
from deckwright.service.runs.turns import rank, under_way
from deckwright.service.store.ledger import LedgerError
from deckwright.service.store.records import Claim, ReasonEntry
from deckwright.service.store.spool import Arrival, MarkerDiffersError, NotTakenError, Spool, Taking
from deckwright.service.system.clock import Clock

AHEAD = 2
"""Decks that are taken beyond those that run, so that no worker waits for a deck."""

_LANE_AHEAD = 2
_ITS_OWN = frozenset({errno.EACCES, errno.EPERM, errno.EXDEV, errno.ELOOP, errno.ENAMETOOLONG})
_REMEDIES = {
    "empty": "look at the file where it came from, and drop it again with its cards",
    "hard-linked": "make a copy with bytes of its own, and drop that; or set allow_hard_links",
    "too-large": "cut the deck into smaller ones, or have the limit `deck` raised",
    "marker-differs": "compare deck and marker with their source, and drop both again",
}


@dataclass(slots=True)
class Intake:
    """Takes what has settled. takings: with what a deck of each job is taken."""

    spool: Spool
    runs: Runs
    inbox: Inbox
    spec: ServiceSpec
    clock: Clock
    takings: dict[str, Taking] = field(default_factory=dict)
    paused: str = ""
    """Why nothing is taken now; empty while decks are taken."""

    def round(self) -> int:
        """Take as many settled decks as there are places for.

        Returns:
            How many were taken.

        Raises:
            RestartError: a deck was taken, but not entered.
        """
        taken = self._take_stalled()
        places = self._places()
        ahead = under_way(self.runs.open.values(), self.clock.steady())
        for found, job in self._in_turn(ahead) if places > 0 or self._left_out(ahead) else ():
            if self.clock.steady() < self.runs.room.at:
                break
            if places <= 0 and not self._left_out(ahead):
                break  # thousands more may wait
            if job in self.runs.holds or (places <= 0 and ahead[job]):
                continue
            if self._fits(found, job) and self._has_room() and self._has_room_for(found):
                done = self._take(found, job) is not None
                places, taken = places - done, taken + done
                ahead[job] += done
        return taken

    def _left_out(self, ahead: Counter[str]) -> bool:
        """Tell whether decks lie there of a job that has none under way: one of it is taken."""
        return any(many and not ahead[job] for job, many in self.inbox.waiting_of.items())

    def _in_turn(self, ahead: Counter[str]) -> Iterator[tuple[Found, str]]:
        """Yield the settled decks, job by job in turn, the most urgent and earliest due first."""
        queues = {job: self._queue(job, decks) for job, decks in self.inbox.queues().items()}
        heads = {job: next(queue) for job, queue in queues.items()}
        given = Counter({job: ahead[job] for job in heads})
        while heads:
            job = min(heads, key=lambda each: (heads[each][0], given[each]))
            yield heads[job][1], job
            given[job] += 1
            if (following := next(queues[job], None)) is None:
                del heads[job]
            else:
                heads[job] = following

    def _queue(self, job: str, decks: list[Found]) -> Iterator[tuple[tuple[int, float], Found]]:
        """Yield the decks of a job in turn, each with its rank."""
        now = self.clock.now()
        if not self.spec.job(job).urgent:
            same = rank(self.spec, job, "", now)
            return ((same, found) for found in decks)
        names = ((found, found.name.decode("utf-8", "replace")) for found in decks)
        ranked = [(rank(self.spec, job, name, now), found) for found, name in names]
        return iter(sorted(ranked, key=lambda each: each[0]))

    def _take_stalled(self) -> int:
        """Take what will never be a whole deck, to give it back."""
        taken = 0
        for found, code, sentence in self.inbox.stalled():
            job = self.inbox.job_of(found)
            if job is not None and self._has_room():
                # as it is, whatever its marker says: that may be what it comes back for
                claim = self._take(dataclasses.replace(found, marker_sha256=None), job)
                if claim is not None:
                    remedy = _REMEDIES.get(code, "drop the whole deck again")
                    said = f"the deck {sentence}"
                    entry = ReasonEntry(code=code, sentence=said, remedy=remedy)
                    self.runs.open[claim.run].verdict = [entry]
                    taken += 1
        return taken

    def _places(self) -> int:
        """Return how many decks may be taken now; those that wait for a later try do not count."""
        now = self.clock.steady()
        soon = sum(
            item.runs or (item.due <= now and item.claim.job not in self.runs.holds)
            for item in self.runs.open.values()
        )
        return self.spec.workers + AHEAD - soon

    def _fits(self, found: Found, job: str) -> bool:
        """Tell whether a deck would wait in nobody's way: one large deck, two of a lane."""
        items = [item.claim for item in self.runs.open.values()]
        if found.stamp.size >= parse_size(self.spec.large) and any(map(self.runs.large, items)):
            return False
        lane = self.takings[job].lane
        return not lane or sum(claim.lane == lane for claim in items) < _LANE_AHEAD

    def look_for_room(self) -> None:
        """Look whether what paused the intake has passed."""
        if self.paused and self.clock.steady() >= self.runs.room.at:
            self._has_room()

    def _has_room(self) -> bool:
        """Look at the free space; tell a pause once a minute, and its end once."""
        free, wanted = self.free(), parse_size(self.spec.limits.min_free)
        if free >= wanted:
            if self.paused:
                self.runs.tell("intake_resumed")
            self.paused = ""
            return True
        self.pause(f"{mib(free)} are free, {mib(wanted)} are wanted")
        return False

    def _has_room_for(self, found: Found) -> bool:
        """Look whether there is room to run a deck; others that need less go before it."""
        free, wanted = self.free(), TIMES * found.stamp.size
        if free < wanted:
            why = f"waits for room: {mib(free)} are free, {mib(wanted)} are wanted for it"
            self.inbox.put_off(found, why)
        return free >= wanted

    def free(self) -> int:
        """Return the bytes that are free for runs."""
        return self.runs.room.free(self.spool.workspace.work)

    def pause(self, why: str) -> None:
        """Take nothing for now."""
        self.runs.room.say("intake_paused", why=why)
        self.paused = why
        self.runs.room.at = self.clock.steady() + ROOM_WAIT_S

    def _take(self, found: Found, job: str) -> Claim | None:
        descriptor = self._opened(found)
        if descriptor is None:
            return None
        try:
            folder = os.fsencode(found.folder)
            arrival = Arrival(folder, found.name, found.path, found.marker_sha256, found.marker)
            dropped = _iso(os.fstat(descriptor).st_ctime)  # when it got its name or its last byte
            claim = self.spool.take(arrival, descriptor, self.takings[job])
        except MarkerDiffersError:
            self.inbox.refuse(found, "marker-differs", "is not what its marker says")
            return None
        except NotTakenError:
            self.inbox.forget(found)
            return None
        except LedgerError as error:
            msg = f"the ledger could not be written ({error}); start again"
            raise RestartError(msg) from error
        except OSError as error:
            self._not_now(found, error)
            return None
        finally:
            os.close(descriptor)
        self.inbox.forget(found)
        self.runs.add(claim)
        facts: dict[str, object] = {"dropped_at": dropped, "taken_at": claim.taken_at}
        facts |= {"follows": claim.follows.run} if claim.follows else {}
        facts |= {"open_end": claim.open_end} if claim.open_end else {}
        facts |= {"continues": claim.continues.run} if claim.continues else {}
        self.runs.tell("deck_taken", run=claim.run, job=job, deck=claim.deck.shown,
                       bytes=claim.deck.size, **facts)  # fmt: skip
        if claim.continues:
            self.runs.tell("deck_continued", run=claim.continues.run, by=claim.run)
        return claim

    def _opened(self, found: Found) -> int | None:
        try:
            return open_deck(found, self.spec)
        except (NotSettledError, StrayError) as error:
            self.inbox.put_off(found, error.why)
        except FileNotFoundError:
            self.inbox.forget(found)
        except OSError as error:
            self._not_now(found, error)
        return None

    def _not_now(self, found: Found, error: OSError) -> None:
        """Pause when the system is short of something; pass by a deck that has its own trouble."""
        why = f"cannot be taken: {(error.strerror or str(error)).lower()}"
        if error.errno in _ITS_OWN:
            self.inbox.put_off(found, why)
        else:
            self.pause(f"a deck {why}")


def _iso(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="microseconds")

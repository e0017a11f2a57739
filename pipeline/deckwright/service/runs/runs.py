"""Open runs: which may start next, and what follows from how one ended."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from deckwright.jobs.job import parse_size
from deckwright.jobs.service import ServiceSpec
from deckwright.service.runs.ends import SERVICE_ENDED, WHY_HELD, Ends
from deckwright.service.runs.entries import changed_entry, duplicate_entry, ended_entry
from deckwright.service.runs.openrun import Check, JobCard, Open, Tell, Workers
from deckwright.service.runs.retries import (
    Breaker,
    causes,
    counting,
    cut_off,
    most_tries,
    spent,
    wait_before,
)
from deckwright.service.runs.room import ROOM_WAIT_S, Room
from deckwright.service.runs.turns import Turns
from deckwright.service.store.checking import Checked, check_attempt, deck_state
from deckwright.service.store.generations import LaneStoppedError
from deckwright.service.store.holds import JobHolds
from deckwright.service.store.ledger import LedgerFullError
from deckwright.service.store.masters import Lanes
from deckwright.service.store.records import Claim, LaneStep, Manifest, ReasonEntry
from deckwright.service.store.spool import Spool
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import DECK, file_name_of
from deckwright.service.workers.messages import Ended, RunOrder

RELIEF_S = 30.0
"""All workers must be busy for so long before the one for large decks takes a small one."""

_RECALLED = 20_000
"""Tries that are looked back on at a start."""


@dataclass(slots=True)
class Runs:
    """All open runs of the service."""

    spool: Spool
    lanes: Lanes
    holds: JobHolds
    spec: ServiceSpec
    clock: Clock
    tell: Tell
    jobs: dict[str, JobCard] = field(default_factory=dict)
    open: dict[str, Open] = field(default_factory=dict)
    rest_until: float = 0.0
    """Steady time until which nothing is run, so that the service is seen to live."""
    ends: Ends = field(init=False)
    room: Room = field(init=False)
    _breaker: Breaker = field(default_factory=Breaker)
    _behind: dict[str, Claim] = field(default_factory=dict)  # runs whose master could not move on
    _turns: Turns = field(default_factory=Turns)

    def __post_init__(self) -> None:
        """Make what rests on folders and ledger of the spool."""
        spool = self.spool
        self.ends = Ends(spool.workspace, spool.fs, spool.ledger, self.clock)
        self.room = Room(spool.workspace.work, spool.ledger, self.clock, self.tell)

    def add(self, claim: Claim) -> None:
        """Enter a run that waits."""
        tries = self.spool.ledger.tries_of(claim.run)
        item = Open(claim, tries=len(tries), failed=len(counting(tries)), alone=cut_off(tries))
        if spent(self.spec.retry, tries) and claim.job not in self.holds:
            item.verdict = causes(tries)
        self.open[claim.run] = item

    def recall(self) -> None:
        """Count on from where the service ended: failures in a row, and its own ends.

        Raises:
            OSError: no room.
        """
        self._breaker.recall(self.spool.ledger.past_tries(_RECALLED))
        self.ends.recall()
        for run in self.ends.culprits():
            if run in self.open:
                claim = self.open.pop(run).claim
                self.spool.hold(run, SERVICE_ENDED)
                self.tell("deck_held", run=run, job=claim.job, deck=claim.deck.shown, why=WHY_HELD)
            self.ends.explained()
        self.rest_until = self.clock.steady() + self.ends.rest(self.spec.retry)

    def resting(self) -> str:
        """Say for how long nothing is run, since the service ended again and again; "" = it is."""
        left = self.rest_until - self.clock.steady()
        why = "the service ended more than once before a run was through; to see whether it lives,"
        return f"{why} nothing is run for {left:,.0f} s" if left > 0 else ""

    def large(self, claim: Claim) -> bool:
        """Tell whether a deck goes to the process for large ones."""
        return claim.deck.size >= parse_size(self.spec.large)

    # ---- starting

    def start_free(self, workers: Workers) -> None:
        """Start what can be started: decks tried before and new ones in turn."""
        now = self.clock.steady()
        for item in list(self.open.values()):
            if item.verdict is not None and not item.runs and item.due <= now:
                self._give_back(item, item.verdict)
        self.room.look(list(self.open.values()))
        for lane in list(self._behind) if now >= self.room.at else ():
            self._move_lane(self._behind.pop(lane))
        if now < self.rest_until:
            return
        while self.clock.steady() >= self.room.at and self.room.paid():
            ready = list(self._startable(workers))
            running = [item for item in self.open.values() if item.runs]
            alone = [item for item in ready if item.alone]
            if (alone and running) or any(item.alone for item in running):
                return
            chosen = self._turns.choose(self.spec, alone[:1] or ready, running)
            if chosen is None:
                return
            self._start(chosen, workers)

    def _startable(self, workers: Workers) -> Iterator[Open]:
        now = self.clock.steady()
        busy = {item.claim.lane for item in self.open.values() if item.runs and item.claim.lane}
        free = {large: workers.free(large) for large in (False, True)}
        relief = free[True] and self._stuck(now)
        seen: set[tuple[str, str, str]] = set()
        for item in sorted(self.open.values(), key=lambda each: each.claim.order):
            claim = item.claim
            by_name = self.spec.job(claim.job).duplicate_scope == "name"
            twin = (claim.deck.sha256, claim.deck.name if by_name else "", claim.config)
            first, lane_free = twin not in seen, claim.lane not in busy
            seen.add(twin)
            if claim.lane:  # a later deck of the lane must not go before this one
                busy.add(claim.lane)
            if (
                first
                and lane_free
                and not item.runs
                and item.verdict is None
                and item.due <= now
                and claim.job not in self.holds
                and (free[self.large(claim)] or (relief and not item.failed))
            ):
                yield item

    def _stuck(self, now: float) -> bool:
        """Tell whether all workers are busy for long: then the one for large decks helps."""
        small = [item for item in self.open.values() if item.runs and not self.large(item.claim)]
        return all(now - item.begun >= RELIEF_S for item in small)

    def _start(self, item: Open, workers: Workers) -> None:
        claim = item.claim
        entry = duplicate_entry(self.spool, self.spec.job(claim.job), claim)
        if entry is not None:
            self._give_back(item, [entry])
            return
        if not self.room.is_there_for(item):
            return
        try:
            self.spool.reset(claim.run)  # what came back after a power cut, or could not be removed
            files = self._lane_files(item)
        except LaneStoppedError as error:
            self.hold_job(claim.job, str(error))
            return
        except OSError as error:
            self.room.failed(item, _why(error))
            return
        try:
            item.tries = self.spool.ledger.begin_try(claim.run, self.clock.now())
        except LedgerFullError:
            self.room.failed(item, "the ledger has no room")
            return
        item.out, item.stage, item.done, item.total = f"out.{item.tries}", "", 0, 0
        item.begun = self.clock.steady()
        home = self.spool.workspace.work / claim.run
        order = RunOrder(
            run=claim.run,
            folder=str(home),
            out=item.out,
            deck_name=file_name_of(claim.deck.name_bytes),
            snapshot=str(self.spool.workspace.used / f"{claim.config}.json"),
            files=files,
            cpu_s=int(self._seconds(claim) + 1),
        )
        large = self.large(claim) or not workers.free(large=False)
        workers.start(order, large=large, seconds=self._seconds(claim), config=claim.config)
        self.tell(
            "run_started", run=claim.run, job=claim.job, deck=claim.deck.shown, number=item.tries
        )

    def _seconds(self, claim: Claim) -> float:
        return self.spec.limits.job_timeout_s + claim.deck.size / 1e6

    def _lane_files(self, item: Open) -> dict[str, str]:
        claim = item.claim
        if not claim.lane:
            return {}
        files = self.jobs[claim.job].files if claim.job in self.jobs else {}
        item.parent = self.lanes.parent(claim.lane, Path(files.get(claim.lane, "")))
        return {claim.lane: str(self.lanes.current(claim.lane))}

    # ---- ending

    def end(self, ended: Ended, check: Check = check_attempt) -> None:
        """Draw the consequence of how a run ended."""
        item = self.open[ended.run]
        if ended.outcome not in {"stopped", "no-room"}:
            self.ends.lived_through(ended.run)
            item.alone, item.lacks, item.waits = False, "", 0
        if ended.outcome == "done":
            self._done(item, ended, check)
        elif ended.outcome == "deck":
            self._unreadable(item, ended)
        elif ended.outcome == "job":
            self._take_back(item)
            # the sentence may name what stands in a master; it is for operators, not for the log
            why = ended.sentence or ended.code
            self.hold_job(item.claim.job, why, f"{ended.code} {ended.stage}".strip())
        elif ended.outcome == "no-room":
            self._take_back(item)
            event = "no_room" if ended.code in {"", "no-room"} else "run_waits"
            self.room.failed(item, ended.sentence or "the worker had no room", event)
        elif ended.outcome == "stopped":
            self._take_back(item)
        else:
            self._failed(item, ended)

    def _unreadable(self, item: Open, ended: Ended) -> None:
        self._breaker.clear(item.claim.job)
        item.out = ""
        state = deck_state(self.spool.workspace.work / ended.run / DECK, item.claim)
        if state != "same":  # a writer that came late; what the run said was of half a deck
            self._changed(item, state)
            return
        self.spool.ledger.end_try(ended.run, "deck", ended.code, ended.stage, "", [])
        self._give_back(item, [ended_entry(ended)])

    def _done(self, item: Open, ended: Ended, check: Check) -> None:
        claim, out = item.claim, item.out
        try:
            home = self.spool.workspace.work / claim.run
            checked = check(home, out, claim, ended.manifest)
            if checked.deck != "same":
                item.out = ""
                self._changed(item, checked.deck)
                return
            if checked.problem:
                wrong = {"outcome": "stage", "code": "outputs-wrong", "sentence": checked.problem}
                self._failed(item, ended.model_copy(update=wrong))
                return
            lane = self._lane_step(item, checked)
            item.out = ""
            manifest = self.spool.commit(claim, out, checked, lane)
        except LaneStoppedError as error:
            self._take_back(item)
            self.hold_job(claim.job, str(error))
            return
        except OSError as error:  # also a failed flush: the attempt never was
            self._take_back(item)
            self.room.failed(item, _why(error))
            return
        del self.open[claim.run]
        self._breaker.clear(claim.job)
        self._tell_done(claim, manifest, ended)
        self._move_lane(claim)

    def _lane_step(self, item: Open, checked: Checked) -> LaneStep | None:
        how = self.spec.job(item.claim.job)
        if not item.claim.lane or not how.next_master:
            return None
        lane = item.claim.lane
        return self.lanes.step(lane, item.parent, checked, lane, how.next_master)

    def _move_lane(self, claim: Claim) -> None:
        if claim.lane:
            try:
                self.lanes.roll(claim.lane)
            except LaneStoppedError as error:
                self.hold_job(claim.job, str(error))
            except OSError as error:  # later, by the lane's next run, or at the next start
                self._behind[claim.lane] = claim
                self.room.at = self.clock.steady() + ROOM_WAIT_S
                self.tell(
                    "master_waits", run=claim.run, job=claim.job, deck=claim.deck.shown,
                    lane=claim.lane, error=error.strerror,
                )  # fmt: skip

    def _tell_done(self, claim: Claim, manifest: Manifest, ended: Ended) -> None:
        facts = manifest.figures() | claim.ties()
        self.tell(
            "run_done", run=claim.run, job=claim.job, deck=claim.deck.shown,
            seconds=round(ended.seconds, 3), stages=ended.stages, **facts,
        )  # fmt: skip
        if claim.follows:
            self.tell("deck_repaired", run=claim.follows.run, by=claim.run)

    def _changed(self, item: Open, state: str) -> None:
        """A deck was written to after it was taken: its run must not count."""
        claim = item.claim
        self.spool.ledger.drop_try(claim.run)
        if state == "longer" and self.spool.back_to_inbox(claim):
            del self.open[claim.run]
            self.tell("deck_back_in_inbox", run=claim.run, job=claim.job, deck=claim.deck.shown)
            return
        self._give_back(item, [changed_entry(state)])

    def _failed(self, item: Open, ended: Ended) -> None:
        claim, retry, most = item.claim, self.spec.retry, most_tries(self.spec.retry, ended.outcome)
        item.out = ""
        stage = ended.stage or item.stage
        self.spool.ledger.end_try(
            claim.run, ended.outcome, ended.code, stage, ended.sentence, ended.where
        )
        self.tell(
            "run_failed", run=claim.run, job=claim.job, stage=stage, outcome=ended.outcome,
            code=ended.code, number=item.tries, seconds=round(ended.seconds, 3),
            stages=ended.stages,
        )  # fmt: skip
        if self._breaker.failed(claim.job, stage or ended.outcome, claim.run) >= retry.breaker:
            where = stage or "their worker"
            why = f"{retry.breaker} decks in a row failed in {where} ({ended.code})"
            self.hold_job(claim.job, why)
        with contextlib.suppress(OSError):  # it goes away with the next attempt at the latest
            self.spool.reset(claim.run)
        item.failed += 1
        # with the job held nothing more may come back for a fault that is not the deck's
        if item.failed >= most and claim.job not in self.holds:
            self._give_back(item, causes(self.spool.ledger.tries_of(claim.run)))
        else:
            item.due = self.clock.steady() + wait_before(retry, claim.run, item.failed)

    def _give_back(self, item: Open, entries: list[ReasonEntry]) -> None:
        claim = item.claim
        item.verdict = entries
        try:
            self.spool.give_back(claim, entries)
        except OSError as error:
            self.room.failed(item, _why(error))
            return
        del self.open[claim.run]
        first = entries[0]
        self.tell(
            "deck_returned", run=claim.run, job=claim.job, deck=claim.deck.shown, code=first.code,
            stage=first.stage, card=first.card,
        )  # fmt: skip

    def _take_back(self, item: Open) -> None:
        """The deck was not at fault: the try does not count, what it left is thrown away."""
        item.out, item.tries = "", item.tries - 1
        try:
            self.spool.reset(item.claim.run)
        except OSError as error:
            self.room.failed(item, _why(error))
        self.room.owe(item.claim.run)  # now that the disk has room for it

    # ---- holding

    def hold_job(self, job: str, why: str, told: str = "") -> None:
        """Start no run of a job and take no deck for it until an operator resumes it.

        Args:
            job: its name.
            why: the reason, for operators.
            told: the reason as it goes into log and notices, where it differs.
        """
        if job in self.holds:
            return
        self.holds.hold(job, why)
        self.tell("job_held", job=job, why=told or why)

    def resume_job(self, job: str) -> bool:
        """Go on with a job; its waiting decks are due at once."""
        if job not in self.holds:
            return False
        self.spool.ledger.excuse(job)
        self.holds.resume(job)
        self._breaker.clear(job)
        for item in self.open.values():
            if item.claim.job == job:
                item.due, item.failed = 0.0, 0
        self.tell("job_resumed", job=job)
        return True


def _why(error: OSError) -> str:
    return (error.strerror or str(error)).lower()

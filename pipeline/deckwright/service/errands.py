"""What the service does beside its decks: notices, copies for other places, fetching, late bytes.

None of it may hold up or end the service: what fails is told, and tried again later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from deckwright.service.inbox.fetching import Fetching
from deckwright.service.inbox.latebytes import LateSweep
from deckwright.service.outward.delivery import deliver, place_of, unfit_place, wanted
from deckwright.service.outward.notices import Notices
from deckwright.service.setup import Setup
from deckwright.service.store.records import BadRecordError, Manifest, load
from deckwright.service.store.tables import Row
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import SyncError
from deckwright.service.system.places import MANIFEST

_A_ROUND = 20
_FIRST_WAIT_S, _LONGEST_WAIT_S = 5.0, 300.0
_LATE_EVERY_S = 10.0
_COUNTS = ("in", "added", "out", "returned", "set_aside")


@dataclass(slots=True)
class _Place:
    """A place for copies that could not be reached: when it is tried again, and why it failed."""

    due: float = float("-inf")
    wait: float = _FIRST_WAIT_S
    why: str = ""


class Errands:
    """The errands of a service."""

    def __init__(self, setup: Setup, clock: Clock) -> None:
        self._setup, self._clock = setup, clock
        self._notices = Notices(setup.spec, setup.workspace, clock)
        self._late = LateSweep(setup.spool, setup.runs, setup.spec, clock, setup.taking_of)
        self._late_due = float("-inf")
        self._places: dict[str, _Place] = {}
        self._deliver_again = True
        self._faults: dict[str, str] = {}
        self._fetchings: list[Fetching] = []
        self.configure()

    def configure(self) -> None:
        """Take over the service file and the jobs as they are now."""
        setup = self._setup
        self._late.spec = setup.spec
        self._deliver_again = True
        self._fetchings = []
        for folder, routes in setup.routes.items():
            for route in routes:
                source = setup.spec.job(route.job).fetch
                if source:
                    fetching = Fetching(
                        Path(source), folder, route, setup.workspace, setup.spec,
                        setup.tools.fs, self._clock,
                    )  # fmt: skip
                    self._fetchings.append(fetching)

    def close(self) -> None:
        """Let the observers hear what is still on its way, for a moment."""
        for problem in self._notices.close(2.0):
            self._setup.runs.tell("notice_failed", problem=problem)

    # ---- notices

    def hear(self, event: str, facts: Mapping[str, object]) -> None:
        """Pass on what observers want to hear."""
        if event == "run_done":
            counts = {name: facts[name] for name in _COUNTS if name in facts}
            self._pass_on("deck_done", facts, counts=counts, folder=f"done/{facts['run']}")
            self._deliver_again = True
        elif event == "deck_returned":
            self._pass_on("deck_returned", facts, folder=f"returned/{facts['run']}")
        elif event == "deck_held":
            self._pass_on("deck_held", facts, why="held by an operator")
        elif event == "job_held":
            self._pass_on("job_held", facts)

    def _pass_on(self, event: str, facts: Mapping[str, object], **more: object) -> None:
        self._notices.tell({**facts, **more, "event": event})

    # ---- rounds

    def round(self) -> None:
        """Do what is due.

        Raises:
            SyncError: the inbox could not be flushed; begin again.
        """
        for problem in self._notices.poll():
            self._setup.runs.tell("notice_failed", problem=problem)
        for fetching in self._fetchings:
            for problem in fetching.round():
                self._setup.runs.tell("fetch_problem", problem=problem)
        now = self._clock.steady()
        if self._deliver_again or any(place.due <= now for place in self._places.values()):
            self._deliver()
        if now >= self._late_due:
            self._late_due = now + _LATE_EVERY_S
            try:
                self._late.round()
            except SyncError:
                raise
            except OSError as error:
                self._setup.runs.room.say("no_room", run="", error=error.strerror)

    def _deliver(self) -> None:
        setup = self._setup
        jobs = [name for name, how in setup.spec.jobs.items() if how.deliver]
        rows = setup.spool.ledger.undelivered(jobs, _A_ROUND) if jobs else []
        self._deliver_again = False
        now = self._clock.steady()
        for row in rows:
            place = self._places.get(row.job)
            if place is None or place.due <= now:
                self._deliver_again |= self._deliver_one(row) and len(rows) == _A_ROUND

    def _deliver_one(self, row: Row) -> bool:
        """Make the copies of a run; tell whether they are made."""
        setup = self._setup
        spec = setup.spec.job(row.job).deliver
        assert spec is not None  # noqa: S101 # asked for by the caller
        why = unfit_place(setup.workspace, spec)
        made = []
        if not why:
            try:
                manifest = load(Manifest, setup.workspace.done / row.run / MANIFEST)
                files, missing = wanted(manifest, spec)
                place = place_of(setup.workspace, spec)
                made = deliver(setup.tools.fs, setup.workspace, row.run, files, place)
                why = f"{row.run} delivered no {missing[0]}" if missing else ""
                wrong = [f"{each.path}: {each.problem}" for each in made if each.problem]
                why = (wrong or [why])[0]
            except BadRecordError as error:
                why = f"done/{row.run}: {error}"
            except OSError as error:
                what = (error.strerror or "cannot be written").lower()
                self._put_off(row.job, f"{spec.to}: {what}")
                return False
        self._places.pop(row.job, None)
        if why:  # a fault of this run alone: a person must see to it, the others go on
            self._faults[row.run] = why
            setup.runs.tell("delivery_failed", run=row.run, job=row.job, why=why)
            setup.spool.ledger.mark_delivered(row.run, f"not: {why}")
            return True
        setup.spool.ledger.mark_delivered(row.run, self._clock.now())
        setup.runs.tell("delivered", run=row.run, job=row.job, files=len(made), to=spec.to)
        return True

    def _put_off(self, job: str, why: str) -> None:
        place = self._places.setdefault(job, _Place())
        if place.why != why:
            self._setup.runs.tell("delivery_waits", job=job, why=why)
        place.why = why
        place.due = self._clock.steady() + place.wait
        place.wait = min(2 * place.wait, _LONGEST_WAIT_S)

    def problems(self) -> list[str]:
        """Return what is not well with the errands, a sentence each."""
        waiting = [f"copies of {job} wait: {place.why}" for job, place in self._places.items()]
        failed = [f"copies of {run} were not made: {why}" for run, why in self._faults.items()]
        return [*waiting, *failed, *self._notices.faults()]

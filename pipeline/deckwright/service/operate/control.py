"""What an operator asks of the service: a request file each, so that only one process ever writes.

The request is written aside and renamed into `control`; the service does it, leaves an answer and
takes the request away. A request may be made twice: the second finds the work done.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

from deckwright.errors import DeckwrightError
from deckwright.service.runs.runs import Runs
from deckwright.service.store.amending import acknowledge, renew
from deckwright.service.store.generations import LaneStoppedError
from deckwright.service.store.records import BadRecordError, Record, load
from deckwright.service.store.spool import Spool, Taking
from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.places import RUN_NAME, Workspace

Wish = Literal["hold", "resume", "requeue", "acknowledge", "restore"]
_REQUEST = re.compile(r"^([0-9a-f]{16})\.request$")
_LANE = re.compile(r"^[A-Za-z0-9_][A-Za-z0-9._-]{0,63}$")
_MOST = 16_384


class Request(Record):
    """A wish about a run or a job, or about a generation of a master, `NAME/7`.

    by, why: of `acknowledge` and `restore`, who asks and for what reason.
    """

    wish: Wish
    what: str
    by: str = ""
    why: str = ""


class Answer(Record):
    """What came of a request."""

    done: bool
    said: str


class AskError(DeckwrightError):
    """The service did not do what was asked; says why."""


class NotAnsweredError(AskError):
    """No answer came in time; the request stays and is done later."""

    exit_code = 75


def ask(workspace: Workspace, request: Request) -> str:
    """Leave a request for the running service; return the name under which it is answered."""
    name = secrets.token_hex(8)
    fs = Fs()
    aside = workspace.control / f"{name}.tmp"
    fs.write_new(aside, request.to_bytes())
    fs.rename_new(aside, workspace.control / f"{name}.request")
    return name


def await_answer(workspace: Workspace, name: str, seconds: float) -> Answer:
    """Wait for the answer to a request that was left.

    Raises:
        NotAnsweredError: none came in time.
    """
    path = workspace.control / f"{name}.answer"
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if path.exists():
            answer = load(Answer, path, _MOST)
            with contextlib.suppress(OSError):
                path.unlink()
            return answer
        time.sleep(0.02)
    msg = f"the service has not answered in {seconds:g} s; the request stays and is done later"
    raise NotAnsweredError(msg)


def requests(workspace: Workspace) -> Iterator[Path]:
    """Yield the requests that lie there."""
    for name in sorted(names_in(workspace.control)):
        if _REQUEST.match(name):
            yield workspace.control / name


def drop_answers(workspace: Workspace, fs: Fs) -> None:
    """Take away answers that nobody fetched, and half-written files."""
    for name in list(names_in(workspace.control)):
        if name.endswith((".answer", ".tmp")):
            fs.unlink(workspace.control / name)


@dataclass(frozen=True, slots=True)
class Operator:
    """Does what operators ask. taking_of: with what decks of a job are taken; None = no job."""

    spool: Spool
    runs: Runs
    taking_of: Callable[[str], Taking | None]

    def serve(self, path: Path) -> None:
        """Do what a request file says, answer it, take it away."""
        fs = self.spool.fs
        try:
            answer = self.do(load(Request, path, _MOST))
        except BadRecordError as error:
            answer = Answer(done=False, said=f"the request cannot be read: {error}")
        aside, target = path.with_suffix(".tmp"), path.with_suffix(".answer")
        for old in (aside, target):
            if os.path.lexists(old):
                fs.unlink(old)
        fs.write_new(aside, answer.to_bytes())
        fs.rename_new(aside, target)
        fs.sync_folder(path.parent)  # what was done here lasts before the wish goes
        fs.unlink(path)
        fs.sync_folder(path.parent)  # a wish that came back would undo later ones

    def do(self, request: Request) -> Answer:
        """Do a wish. OSError passes: it is tried again later."""
        what = request.what
        if request.wish == "restore":
            return self._restore(request)
        if not RUN_NAME.match(what):
            return self._job(request)
        if request.wish == "requeue":
            return self._requeue(what)
        if request.wish == "acknowledge":
            return self._acknowledge(request)
        return self._hold(what) if request.wish == "hold" else self._resume(what)

    def _job(self, request: Request) -> Answer:
        job = request.what
        known = self.taking_of(job) is not None
        if request.wish in {"requeue", "acknowledge"} or not (known or job in self.runs.holds):
            said = f"no run {'' if known else 'or job '}is called {job!r}; see `deckwright status`"
            return Answer(done=False, said=said)
        if request.wish == "hold":
            self.runs.hold_job(job, "held by an operator")
            return Answer(done=True, said=f"the job {job} is held; decks for it wait")
        self._renew(job)
        again = self.runs.resume_job(job)
        return Answer(done=True, said=f"the job {job} {'goes on' if again else 'was not held'}")

    def _renew(self, job: str) -> None:
        """Have the waiting decks of a held job run with what it is now: it was put right."""
        taking = self.taking_of(job)
        for item in self.runs.open.values() if taking and job in self.runs.holds else ():
            then = (item.claim.config, item.claim.lane)
            waits = not item.runs and item.verdict is None
            if item.claim.job == job and waits and taking and then != (taking.config, taking.lane):
                item.claim = renew(self.spool, item.claim, taking)

    def _hold(self, run: str) -> Answer:
        if (self.spool.workspace.hold / run).is_dir():
            return Answer(done=True, said=f"{run} is held")
        item = self.runs.open.get(run)
        if item is not None and item.runs:
            said = f"{run} runs now; ask again when it has ended, or hold its job"
            return Answer(done=False, said=said)
        if item is None or item.verdict is not None:
            return self._where(run)
        self.spool.hold(run)
        del self.runs.open[run]
        self.runs.tell("deck_held", run=run, job=item.claim.job, deck=item.claim.deck.shown)
        return Answer(done=True, said=f"{run} is held")

    def _resume(self, run: str) -> Answer:
        if run in self.runs.open:
            return Answer(done=True, said=f"{run} waits to be run")
        if not (self.spool.workspace.hold / run).is_dir():
            return self._where(run)
        self.spool.resume(run)
        self.runs.add(self.spool.claim_of(run))
        self.runs.tell("deck_resumed", run=run)
        return Answer(done=True, said=f"{run} waits to be run")

    def _requeue(self, run: str) -> Answer:
        row = self.spool.ledger.row(run)
        if row is None or row.state not in {"done", "returned"}:
            return self._where(run)
        taking = self.taking_of(row.job)
        if taking is None:
            return Answer(done=False, said=f"there is no job {row.job} any more")
        if not (self.spool.workspace.root / row.state / run).is_dir():
            return Answer(done=False, said=f"the folder of {run} has been removed or carried away")
        claim = self.spool.run_again(row, taking)
        if claim is None:
            before = self.spool.ledger.again_of(run)
            return Answer(done=True, said=f"{run} was requeued before, as {before}")
        self.runs.add(claim)
        self.runs.tell("deck_requeued", run=claim.run, job=claim.job, again=run)
        return Answer(done=True, said=f"{run} is run again as {claim.run}")

    def _acknowledge(self, request: Request) -> Answer:
        run = request.what
        row = self.spool.ledger.row(run)
        if row is None or row.state not in {"done", "returned"}:
            return self._where(run)
        try:
            kept = acknowledge(self.spool, row, request.by, request.why)
        except FileNotFoundError:
            return Answer(done=False, said=f"the folder of {run} was carried away")
        except BadRecordError as error:
            return Answer(done=False, said=f"{row.state}/{run}: {error}; restore it from a copy")
        except ValidationError:
            what = "needs a name of up to 200 characters and a reason of up to 2,000"
            return Answer(done=False, said=what)
        if kept is None:
            return Answer(done=True, said=f"the deck of {run} is as it was taken: nothing to note")
        last = kept.entries[-1]
        self.runs.tell("late_acknowledged", run=run, job=row.job, by=last.by)
        return Answer(
            done=True, said=f"the deck of {run} as it is now is acknowledged by {last.by}"
        )

    def _restore(self, request: Request) -> Answer:
        lane, _, number = request.what.rpartition("/")
        if not (_LANE.match(lane) and number.isascii() and number.isdigit()):
            return Answer(done=False, said=f"{request.what!r} names no generation of a master")
        for run, item in self.runs.open.items():
            if item.claim.lane == lane and item.runs:
                said = f"{run} runs now and reads {lane}; ask again when it has ended"
                return Answer(done=False, said=said)
        try:
            made = self.runs.lanes.restore(
                lane, int(number), request.by, request.why, self.runs.clock.now()
            )
        except LaneStoppedError as error:
            return Answer(done=False, said=str(error))
        except ValidationError:
            what = "needs a name of up to 200 characters and a reason of up to 2,000"
            return Answer(done=False, said=what)
        self.runs.tell(
            "master_restored", lane=lane, generation=made.number, of=int(number), by=request.by
        )
        said = f"{lane} is as generation {number} was; this is generation {made.number} now"
        return Answer(done=True, said=said)

    def _where(self, run: str) -> Answer:
        row = self.spool.ledger.row(run)
        said = f"{run} is {row.state}" if row else f"there is no run {run}"
        return Answer(done=False, said=said)

"""A service in one process, whose every step can be cut off, and the contract that must hold.

The rig takes the place of daemon and worker processes: it takes decks, has a stub run them and
draws the consequences, step by step and always in the same order.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from typing_extensions import override

from deckwright.errors import RestartError
from deckwright.jobs.service import JobServiceSpec, RetrySpec, ServiceSpec
from deckwright.service.inbox.latebytes import LateSweep
from deckwright.service.operate.control import Operator, Request, drop_answers, requests
from deckwright.service.recovery import Found, recover
from deckwright.service.runs.openrun import JobCard
from deckwright.service.runs.room import ROOM_WAIT_S
from deckwright.service.runs.runs import Runs
from deckwright.service.store.holds import JobHolds
from deckwright.service.store.ledger import Ledger, LedgerError
from deckwright.service.store.masters import Lanes
from deckwright.service.store.spool import Arrival, NotTakenError, Spool, Taking
from deckwright.service.system.clock import Clock
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import DECK, FOLDERS, Workspace
from deckwright.service.workers.messages import Ended, RunOrder
from service.contract import MARKERS, assert_contract, assert_ledger, files_of, outcome_of, sha256
from service.faults import CountedLedger, Fault, FaultFs

__all__ = [
    "Fault", "FaultFs", "Rig", "assert_contract", "assert_ledger", "drop", "outcome_of", "run_all",
    "sha256", "started", "workspace",
]  # fmt: skip

CARDS, STOCK = "cards", "stock"
"""The jobs of the rig, each with an inbox folder of its name; `stock` moves on a master."""

FIRST_MASTER = b"item,amount\n"
NOW = "2031-05-06T07:08:09.000000+00:00"
LATE_BYTES = b"LATE CARD\n"
"""What the stub's late writer adds to a deck that begins with `!slow`."""

_SPEC = ServiceSpec(
    jobs={STOCK: JobServiceSpec(master=STOCK, next_master="next.csv")},
    retry=RetrySpec(tries=50),  # a deck may be cut off as often as a test likes
)


def spec_with(**changes: Any) -> ServiceSpec:
    """Return the rig's settings with some changed."""
    return _SPEC.model_copy(update=changes)


class FixedClock(Clock):
    """A time of day that never changes, and seconds that a test sets on."""

    def __init__(self) -> None:
        self.today, self.time = NOW, 1000.0

    @override
    def now(self) -> str:
        return self.today

    @override
    def steady(self) -> float:
        return self.time


# ---- the stub of worker and engine


@dataclass(slots=True)
class StubWorkers:
    """Runs orders in this process when polled. What it delivers comes from deck and master alone.

    The first line of a deck says how its run ends: `!deck`, `!stage`, `!die`, `!job`, `!room` and
    `!late` end so; `!flaky N` lets a stage fail in the first N tries; `!lie` delivers something
    that its manifest does not know; to `!slow` bytes are added while it runs.
    failing: a stage in which every deck fails.
    """

    fs: Fs
    processes: int = 2
    failing: str = ""
    orders: list[RunOrder] = field(default_factory=list)
    done: int = 0

    def free(self, large: bool) -> bool:  # noqa: FBT001 # as the service asks
        return len(self.orders) < self.processes

    def start(self, order: RunOrder, *, large: bool, seconds: float, config: str) -> None:
        self.orders.append(order)

    def poll(self) -> Iterator[Ended]:
        while self.orders:
            order = self.orders.pop(0)
            try:
                yield self._run(order)
            except OSError:  # as the worker says it
                yield Ended(run=order.run, outcome="no-room")

    def _run(self, order: RunOrder) -> Ended:
        self.done += 1
        home = Path(order.folder)
        deck = (home / DECK).read_bytes()
        word, _, number = deck.split(b"\n")[0].decode("latin-1").partition(" ")
        out = home / order.out
        self.fs.make_folder(out)
        self.fs.make_folder(out / "out")
        self.fs.write_new(out / "out" / "cards.txt", deck.upper())
        if self.failing or (word == "!flaky" and int(order.out[4:]) <= int(number)):
            word = "!stage"
        if word in {"!deck", "!stage", "!die", "!job", "!room", "!late"}:
            return self._fail(order.run, word)
        if word == "!slow" and not deck.endswith(LATE_BYTES):
            with (home / DECK).open("ab") as file:
                file.write(LATE_BYTES)
        self._deliver(out, deck, order.files)
        if word == "!lie":
            self.fs.write_new(out / "out" / "more.txt", b"")
        for folder in (out / "out", out, home):
            self.fs.sync_folder(folder)
        manifest = sha256((out / "manifest.json").read_bytes())
        return Ended(run=order.run, outcome="done", counts=_counts(deck), manifest=manifest)

    def _fail(self, run: str, word: str) -> Ended:
        outcome = {"!die": "died", "!room": "no-room"}.get(word, word[1:])
        sentence = f"the stub was told to end with {outcome}"
        return Ended(run=run, outcome=outcome, code="stub", stage=self.failing or "stub",
                     sentence=sentence)  # fmt: skip

    def _deliver(self, out: Path, deck: bytes, files: Mapping[str, str]) -> None:
        used, moves = {}, []
        for name, path in files.items():
            master = Path(path).read_bytes()
            used[name] = {"sha256": sha256(master)}
            self.fs.write_new(out / "out" / "next.csv", master + deck)
            moves.append(self.account(name, master, deck))
        self.fs.write_new(out / "control.json", json.dumps(_counts(deck)).encode())
        told = {
            "manifest": 1,
            "decks": [{"size": len(deck), "sha256": sha256(deck)}],
            "files_used": used,
            "counts": _counts(deck),
            "versions": {"stub": "1"},
            "next_masters": [move for move in moves if move],
            "files": [
                {"name": name, "size": len(data), "sha256": sha256(data)}
                for name, data in sorted(files_of(out).items())
            ],
        }
        self.fs.write_new(out / "manifest.json", json.dumps(told).encode())

    def account(self, name: str, master: bytes, deck: bytes) -> dict[str, Any]:
        """Return how the next master follows from the one before."""
        before, added = master.count(b"\n"), deck.count(b"\n")
        return {"file": "next.csv", "master": name, "before": before, "added": added,
                "deleted": 0, "after": before + added}  # fmt: skip


def _counts(deck: bytes) -> dict[str, int]:
    cards = deck.count(b"\n")
    return {"in": cards, "added": 0, "out": cards, "returned": 0, "set_aside": 0}


# ---- the rig


class Rig:
    """A workspace and all parts of a service on it but processes and the look at the inbox."""

    def __init__(self, root: Path, fs: Fs | None = None, spec: ServiceSpec = _SPEC,
                 clock: FixedClock | None = None) -> None:  # fmt: skip
        self.workspace, self.fs, self.spec = Workspace(root), fs or Fs(), spec
        self.clock = clock or FixedClock()
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.again_at = 0.0
        lay_out(root)
        counted = isinstance(self.fs, FaultFs)
        path = self.workspace.ledger
        self.ledger = CountedLedger(path, self.fs) if counted else Ledger(path)
        self.spool = Spool(self.workspace, self.fs, self.ledger, self.clock)
        self.lanes = Lanes(self.workspace, self.fs, self.ledger)
        self.holds = JobHolds(self.workspace, self.fs)
        self.runs = Runs(self.spool, self.lanes, self.holds, spec, self.clock, self.tell)
        self.workers = StubWorkers(self.fs, spec.workers)
        self.takings = {
            job: Taking(job, sha256(job.encode()), spec.job(job).master) for job in (CARDS, STOCK)
        }
        self.operator = Operator(self.spool, self.runs, self.takings.get)
        self.late = LateSweep(self.spool, self.runs, spec, self.clock, self.takings.get)

    def tell(self, event: str, **facts: object) -> None:
        """Write an event down."""
        self.events.append((event, facts))

    def told(self, event: str) -> list[dict[str, Any]]:
        """Return the facts of every event of a name."""
        return [facts for name, facts in self.events if name == event]

    def start(self) -> Found:
        """Recover and take over the jobs, as a start of the service does."""
        drop_answers(self.workspace, self.fs)
        found = recover(self.spool, self.lanes)
        for row in self.ledger.rows("waiting"):
            self.runs.add(self.spool.claim_of(row.run))
        self.runs.recall()
        for lane, why in found.stopped_lanes.items():
            self.runs.hold_job(lane, why)
        for job, taking in self.takings.items():
            self.spool.keep_config(taking.config, job.encode())
            first = {STOCK: str(self.workspace.config / "first.csv")} if taking.lane else {}
            self.runs.jobs[job] = JobCard(job, taking.config, first)
        return found

    def close(self) -> None:
        """Let go of the ledger; everything else is in the folders."""
        self.ledger.close()

    def take(self) -> int:
        """Take every deck of jobs that are not held, by name; return how many were."""
        taken = 0
        for job, taking in self.takings.items():
            places = [] if job in self.holds else list(decks_in(self.workspace.inbox / job))
            for path in places:
                if self.clock.steady() < self.runs.room.at:
                    return taken
                taken += self._take(path, taking)
        return taken

    def _take(self, path: Path, taking: Taking) -> bool:
        arrival = arrival_of(path)
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
        try:
            claim = self.spool.take(arrival, descriptor, taking)
        except NotTakenError:
            self.again_at = self.clock.steady() + 1
            return False
        except OSError as error:
            self.runs.room.at = self.clock.steady() + ROOM_WAIT_S
            self.tell("intake_paused", why=error.strerror)
            return False
        finally:
            os.close(descriptor)
        self.runs.add(claim)
        self.tell("deck_taken", run=claim.run)
        return True

    def round(self) -> bool:
        """Do what is due now, once; tell whether there was anything."""
        events, done = len(self.events), self.workers.done
        for path in list(requests(self.workspace)):
            self._try(self.operator.serve, path)
        self.take()
        self.runs.start_free(self.workers)
        for ended in self.workers.poll():
            self.runs.end(ended)
        self._try(self.late.round)
        return len(self.events) > events or self.workers.done > done

    def _try(self, what: Callable[..., None], *given: Any) -> None:
        """Do something that is done again a second later where there is no room for it."""
        try:
            what(*given)
        except OSError:
            self.again_at = self.clock.steady() + 1

    def step_due(self) -> None:
        """Do everything that is due without waiting."""
        while self.round():
            pass

    def step_all(self, waits: int = 200) -> None:
        """Do everything, waiting as long as anything will be due later, so many times at most."""
        for _ in range(waits):
            self.step_due()
            later = self.next_due()
            if later is None:
                return
            self.advance(later - self.clock.steady())

    def next_due(self) -> float | None:
        """Return when something that waits is due next."""
        now = self.clock.steady()
        held = self.holds.all()
        times = [
            max(item.due, self.runs.room.at, self.runs.rest_until)
            for item in self.runs.open.values()
            if item.claim.job not in held or item.verdict is not None
        ]
        times.append(self.again_at)
        times += [self.runs.room.at for job in self.takings if self._lies_there(job)]
        times += [seen[2] + self.spec.settle_s for seen in self.late._changed.values()]  # noqa: SLF001 # its wait
        return min((time for time in times if time > now), default=None)

    def _lies_there(self, job: str) -> bool:
        return job not in self.holds and any(decks_in(self.workspace.inbox / job))

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self.clock.time += seconds

    def ask(self, wish: str, what: str) -> None:
        """Leave a request as an operator does; the same one always under the same name."""
        ask(self.workspace.root, wish, what)


@contextmanager
def started(root: Path, fs: Fs | None = None, **given: Any) -> Iterator[Rig]:
    """Yield a rig that has recovered; the ledger is closed afterwards."""
    rig = Rig(root, fs, **given)
    try:
        rig.start()
        yield rig
    finally:
        rig.close()


def run_all(root: Path, fs: Fs | None = None, *, starts: int = 1, **given: Any) -> int:
    """Start and do everything; start again when the service would. Return the starts it took."""
    for number in range(1, starts + 1):
        try:
            with started(root, fs, **given) as rig:
                rig.step_all()
                return number
        except (RestartError, LedgerError, OSError):
            if number == starts:
                raise
    return starts


def lay_out(root: Path) -> None:
    """Make the folders of a workspace where they are missing, as an operator does."""
    for folder in (*FOLDERS, f"inbox/{CARDS}", f"inbox/{STOCK}"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    first = root / "config" / "first.csv"
    if not first.exists():
        first.write_bytes(FIRST_MASTER)


def drop(root: Path, name: str | bytes, data: bytes, job: str = CARDS) -> None:
    """Lay a deck into the inbox of a job, as a careful sender does."""
    place = root / "inbox" / job
    (place / ".coming").write_bytes(data)
    (place / ".coming").rename(place / os.fsdecode(name))


def decks_in(folder: Path) -> Iterator[Path]:
    """Yield the decks that lie in an inbox folder, by name."""
    for path in sorted(folder.iterdir()):
        if not (path.name.startswith(".") or path.suffix in MARKERS):
            yield path


def arrival_of(path: Path) -> Arrival:
    """Return a deck in the inbox, with what its ready-marker says where it has one."""
    folder, name = os.fsencode(path.parent.name), os.fsencode(path.name)
    for suffix in MARKERS:
        marker = path.with_name(path.name + suffix)
        if marker.exists():
            digest = marker.read_text() if suffix == ".sha256" else None
            return Arrival(folder, name, path, digest, os.fsencode(marker.name))
    return Arrival(folder, name, path)


def ask(root: Path, wish: str, what: str) -> None:
    """Leave a request as an operator does; the same one always under the same name."""
    name = sha256(f"{wish} {what}".encode())[:16]
    aside = root / "control" / f"{name}.tmp"
    aside.write_bytes(Request(wish=wish, what=what).to_bytes())
    aside.rename(aside.with_suffix(".request"))


@contextmanager
def workspace(*decks: tuple[str, bytes], job: str = CARDS) -> Iterator[Path]:
    """Yield a workspace in whose inbox decks lie."""
    with quick_room() as root:
        lay_out(root)
        for name, data in decks:
            drop(root, name, data, job)
        yield root


@contextmanager
def quick_room() -> Iterator[Path]:
    """Yield a fresh folder, in memory where the system has such a place, and remove it."""
    memory = Path("/dev/shm")  # noqa: S108 # a fresh folder of its own in it
    where = memory if os.access(memory, os.W_OK) else None
    room = Path(tempfile.mkdtemp(prefix="deckwright-", dir=where))
    try:
        yield room
    finally:
        shutil.rmtree(room)

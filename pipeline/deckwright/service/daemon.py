"""The service: one thread that looks, takes, starts, ends and tells, round after round."""

from __future__ import annotations

import contextlib
import os
import select
import signal
from collections.abc import Iterator
from types import FrameType

from deckwright.errors import WorkspaceError
from deckwright.service.board import Board
from deckwright.service.errands import Errands
from deckwright.service.inbox.inbox import Inbox
from deckwright.service.inbox.intake import Intake
from deckwright.service.inbox.renames import Renames
from deckwright.service.inbox.settling import UNSETTLED
from deckwright.service.inbox.watcher import Watcher
from deckwright.service.operate.control import requests
from deckwright.service.outward.state import RunningFacts, State, StrayFacts, write_state
from deckwright.service.runs.openrun import Open, Tell
from deckwright.service.runs.room import waits_of
from deckwright.service.setup import Setup, Tools, begin_again
from deckwright.service.store.ledger import LedgerError
from deckwright.service.system.filesystems import unfit_inboxes
from deckwright.service.system.notify import Notifier
from deckwright.service.system.places import Workspace
from deckwright.service.workers.messages import Ended, Progress

_TICK_S = 1.0
_ASK_S = 0.2  # an operator waits no longer until a request is seen
_HEALTH_S = 5.0
_NEWS_S = 60.0
_FEWEST_S = 0.05  # between two scans, so that a flood of events costs little


class Service:
    """The service of one workspace, between start and stop."""

    def __init__(
        self, workspace: Workspace, lock: int, tell: Tell, tools: Tools | None = None
    ) -> None:
        """Recover and read the config. Nothing is taken yet.

        Args:
            workspace: where.
            lock: the open lock; workers inherit it.
            tell: hears every event.
            tools: what it works with.

        Raises:
            WorkspaceError: somebody must change something first.
            RestartError: begin again.
        """
        self._tell: Tell = tell
        self._errands: Errands | None = None
        self._board: Board | None = None
        self._early: list[tuple[str, dict[str, object]]] = []
        self.setup = Setup(workspace, self.tell, tools or Tools())
        if unfit := unfit_inboxes(workspace.inbox, self.setup.routes):
            self.setup.close()
            raise WorkspaceError(unfit[0])
        self._place = _identity(workspace)
        self.workspace, self.runs, self.clock = workspace, self.setup.runs, self.setup.tools.clock
        self.stop_wanted = 0
        self.reload_wanted = False
        self._health: list[str] = []
        self._news_at = 0.0
        self._known_strays: set[str] = set()
        self._health_at = self._state_at = float("-inf")
        self._wake_out, self._wake_in = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._renames = Renames()
        self._look_anew()
        observer = self.setup.spec.observer
        self.watcher = Watcher(workspace.inbox, observer, self.wake, self._renames.hear)
        self.pool = self.setup.tools.pool(self.setup.spec, workspace, lock, self.clock)
        self._errands = self.errands = Errands(self.setup, self.clock)
        for event, facts in self._early:  # the board counts from the ledger
            self._errands.hear(event, facts)
        self._board = self.board = Board(self.setup, self.clock)
        self.notifier = Notifier()

    def _look_anew(self) -> None:
        """Begin to look at the inbox with the jobs as they are now."""
        setup = self.setup
        inbox = self.workspace.inbox
        self.inbox = Inbox(inbox, setup.spec, setup.routes, self.clock, self._renames)
        self.intake = Intake(
            setup.spool, self.runs, self.inbox, setup.spec, self.clock, setup.takings
        )
        self._scan_at, self._scan_took = float("-inf"), 0.0
        self._event, self._took = True, False

    # ---- start and stop

    def run(self, *, once: bool = False) -> int:
        """Serve until a signal ends it, or until all that lies there is done.

        Returns:
            The exit code.

        Raises:
            RestartError, WorkspaceError
        """
        with self._signals():
            try:
                self.runs.ends.begin()
                self.watcher.start()
                self.pool.warm()
                self.notifier.ready()
                jobs = sorted(self.setup.takings)
                self.tell("service_ready", jobs=jobs, process=os.getpid())
                if self.setup.warning:
                    self.tell("file_system", warning=self.setup.warning)
                if once:
                    self._serve_once()
                else:
                    while not self.stop_wanted:
                        self.round(self._wait())
            except (LedgerError, OSError) as error:
                self._expect_in_place()
                raise begin_again(self.workspace, error) from error
            finally:
                self._end()
        return 0

    def _serve_once(self) -> None:
        """Take what is there when it has settled; do not wait for later tries."""
        self.inbox.patient = False  # nobody waits for what may come
        patience = self.clock.steady() + 2 * self.setup.spec.settle_s + 1
        while not self.stop_wanted:
            self.round(self._wait())
            items = self.runs.open.values()
            if self._event or any(item.runs or self._due(item) for item in items):
                continue
            self.look()
            settling = self.inbox.next_due() is not None and self.clock.steady() < patience
            jobs = [self.inbox.job_of(found) for found in self.inbox.ready()]
            takeable = any(job is not None and job not in self.runs.holds for job in jobs)
            if not settling and (self.intake.paused or not takeable):
                return

    def _due(self, item: Open) -> bool:
        return item.due <= self.clock.steady() and item.claim.job not in self.runs.holds

    def _end(self) -> None:
        self.notifier.stopping()
        self.tell("service_stopping", running=self.pool.running())
        with contextlib.suppress(RuntimeError, OSError):
            self.watcher.stop()
        for ended in self.pool.stop(self.setup.spec.stop_s, lambda: self.stop_wanted > 1):
            # what cannot be entered now the next start sees from the folders
            with contextlib.suppress(OSError, LedgerError):
                self.runs.end(ended)
        self.runs.ends.finish()
        self.errands.close()
        with contextlib.suppress(OSError, LedgerError):
            self._write_state()
            self.board.show(self.state(), self.inbox.waiting_of, self.intake.free())
        self.board.close()
        self.setup.close()
        os.close(self._wake_in)
        os.close(self._wake_out)
        self.tell("service_ended")

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        def stop(_: int, __: FrameType | None) -> None:
            self.stop_wanted += 1
            self.wake()

        def reload(_: int, __: FrameType | None) -> None:
            self.reload_wanted = True
            self.wake()

        handlers = {signal.SIGTERM: stop, signal.SIGINT: stop, signal.SIGHUP: reload}
        before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
        # who starts the service may have had them wait until now
        signal.pthread_sigmask(signal.SIG_UNBLOCK, handlers)
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    # ---- rounds

    def wake(self) -> None:
        """End the wait of the loop and look at the inbox soon; may be called from any thread."""
        self._event = True
        with contextlib.suppress(OSError):  # a full pipe wakes as well; a closed one has no loop
            os.write(self._wake_in, b".")

    def _wait(self) -> float:
        """Return seconds until something is due."""
        if self._took:  # what was taken may have ended at once and left its place to the next
            return 0.0
        now = self.clock.steady()
        times = [now + _ASK_S, self._scan_due()]
        due = self.inbox.next_due()
        times += [due] if due is not None else []
        times += [item.due for item in self.runs.open.values() if not item.runs and item.due > now]
        return max(0.0, min(times) - now)

    def _scan_due(self) -> float:
        gap = max(_FEWEST_S, 4 * self._scan_took) if self._event else self.setup.spec.scan_s
        return self._scan_at + gap

    def round(self, wait: float) -> None:
        """Wait for something to do, and do it.

        Raises:
            RestartError, LedgerError, OSError: begin again.
        """
        readable = [self._wake_out, *self.pool.descriptors()]
        select.select(readable, [], [], wait)
        with contextlib.suppress(BlockingIOError):
            os.read(self._wake_out, 4096)
        if self.reload_wanted:
            self._reload()
        self._poll()
        for path in list(requests(self.workspace)):
            with contextlib.suppress(OSError):  # it stays there and is tried again
                self.setup.operator.serve(path)
        if self.clock.steady() >= self._scan_due():
            self.look()
        if not self.stop_wanted:
            self._took = self.intake.round() > 0
            self.runs.start_free(self.pool)
            self.errands.round()
        self._tick()

    def look(self) -> None:
        """Look through the inbox now, and tell of what newly lies there and is no deck."""
        self._event = False
        begin = self.clock.steady()
        self.inbox.scan()
        self._scan_at = self.clock.steady()
        self._scan_took = self._scan_at - begin
        places = set()
        for stray in self.inbox.strays:
            places.add(stray.place)
            if stray.place not in self._known_strays:
                event = "deck_unsettled" if stray.why in UNSETTLED else "stray_seen"
                self.tell(event, place=stray.place, why=stray.why)
        self._known_strays = places

    def _poll(self) -> None:
        for message in self.pool.poll():
            item = self.runs.open.get(message.run)
            if item is None:
                continue
            if isinstance(message, Progress):
                item.stage, item.done, item.total = message.stage, message.done, message.total
            elif isinstance(message, Ended):
                self.runs.end(message)

    def _reload(self) -> None:
        """Check the whole config; take it over only when all of it is right."""
        self.reload_wanted = False
        self.notifier.reloading()
        fault = self.setup.reload(lambda: self.notifier.alive("reading the config"))
        if fault:
            self.tell("config_refused", fault=fault)
        else:
            self._look_anew()
            self.errands.configure()
            self.pool.refresh()
            self.tell("config_reloaded", jobs=sorted(self.setup.takings))
        self.notifier.ready()
        self._health_at = self._state_at = float("-inf")  # tell of it now

    # ---- telling

    def tell(self, event: str, **facts: object) -> None:
        """Log an event, and let the observers hear of those that concern a deck or a job."""
        self._tell(event, **facts)
        if self._errands is not None:
            self._errands.hear(event, facts)
        else:
            self._early.append((event, facts))
        if self._board is not None:
            self._board.hear(event, facts)

    def _tick(self) -> None:
        now = self.clock.steady()
        if now >= self._health_at + _HEALTH_S:
            self._health_at = now
            self._look_after()
        if now >= self._state_at + _TICK_S:
            self._state_at = now
            self._expect_in_place()
            self.runs.ends.beat()
            with contextlib.suppress(OSError):  # a hint; the disk may be full
                self._write_state()

    def _expect_in_place(self) -> None:
        """Make sure that the workspace lies where it lay at the start.

        Raises:
            WorkspaceError: it was moved, or another folder lies there now.
        """
        if _identity(self.workspace) != self._place:
            msg = (
                f"{self.workspace.root} was moved away while it was served; nothing is lost: start"
                " the service on the folder where it lies now"
            )
            raise WorkspaceError(msg)

    def _look_after(self) -> None:
        """Look at everything that health rests on; only then is the watchdog told."""
        health = [*self.setup.problems, *self.watcher.check(), *self.errands.problems()]
        health += unfit_inboxes(self.workspace.inbox, self.setup.routes)
        health += [
            text
            for text in (self.setup.config_problem, self.setup.warning, self.runs.resting())
            if text
        ]
        self.intake.look_for_room()
        if self.intake.paused:
            health.append(f"no decks are taken: {self.intake.paused}")
        health += [self.board.problem] if self.board.problem else []
        if lacking := waits_of(list(self.runs.open.values())):
            health.append(lacking)
        counts = self.setup.spool.ledger.counts()
        health += [f"the job {job} is held" for job in self.runs.holds.all()]
        now = self.clock.steady()
        # figures in a reason change all the time; that is no news
        if len(health) != len(self._health) or (health != self._health and now >= self._news_at):
            self.tell("health", reasons=health)
            self._news_at = now + _NEWS_S
        self._health = health
        self.board.show(self.state(), self.inbox.waiting_of, self.intake.free())
        if self.clock.steady() - self._scan_at <= 2 * self.setup.spec.scan_s + _HEALTH_S:
            running = sum(item.runs for item in self.runs.open.values())
            waiting, done = len(self.runs.open) - running, counts.get("done", 0)
            self.notifier.alive(f"{running} running, {waiting} waiting, {done} done")

    def state(self) -> State:
        """Return what the service tells of itself now."""
        items = sorted(self.runs.open.values(), key=lambda item: item.claim.order)
        now = self.clock.steady()
        running = [
            RunningFacts(
                run=item.claim.run,
                job=item.claim.job,
                deck=item.claim.deck.shown,
                stage=item.stage,
                done=item.done,
                total=item.total,
            )
            for item in items
            if item.runs
        ]
        later = [item for item in items if not item.runs and item.tries and item.due > now]
        return State(
            process=os.getpid(),
            at=self.clock.now(),
            health=self._health,
            paused=self.intake.paused,
            running=running,
            in_inbox=self.inbox.waiting,
            strays=[StrayFacts(place=s.place, why=s.why) for s in self.inbox.strays],
            strays_in_all=self.inbox.strays_in_all,
            jobs={r.job: folder for folder, routes in self.setup.routes.items() for r in routes},
            takes={
                folder: [name for route in routes for name in route.names or ("*",)]
                for folder, routes in self.setup.routes.items()
            },
            retries={
                item.claim.run: f"try {item.tries} failed, the next in {item.due - now:.0f} s"
                for item in later
            },
        )

    def _write_state(self) -> None:
        write_state(self.workspace, self.setup.tools.fs, self.state())


def _identity(workspace: Workspace) -> tuple[int, int] | None:
    """Return which folder the workspace is; None where there is none."""
    try:
        status = workspace.root.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino

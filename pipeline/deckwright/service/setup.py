"""What the service and the commands of an operator both need: ledger, folders, jobs, recovered."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field

from deckwright.errors import ConfigError, RestartError, WorkspaceError
from deckwright.jobs.service import ServiceSpec, load_service
from deckwright.service.config.compile import Compiled, compile_jobs
from deckwright.service.config.nextmasters import without_lane_faults
from deckwright.service.inbox.settling import Route
from deckwright.service.operate.archive import FOLDER as ARCHIVES
from deckwright.service.operate.control import Operator, drop_answers
from deckwright.service.outward.identified import Identified
from deckwright.service.recovery import Found, recover
from deckwright.service.runs.openrun import JobCard, Tell
from deckwright.service.runs.runs import Runs
from deckwright.service.store.holds import JobHolds
from deckwright.service.store.ledger import Ledger, LedgerError, NewerLedgerError
from deckwright.service.store.masters import Lanes
from deckwright.service.store.records import BadRecordError, Claim, load
from deckwright.service.store.spool import Spool, Taking
from deckwright.service.system.clock import Clock
from deckwright.service.system.filesystems import check_places
from deckwright.service.system.fs import Fs, names_in
from deckwright.service.system.places import CLAIM, Workspace, runs_in
from deckwright.service.untold import add_untold
from deckwright.service.workers.pool import Pool

COMPILE_S = 120.0
"""Time for reading and checking all jobs."""


@dataclass(frozen=True, slots=True)
class Tools:
    """What the service works with; tests put others in their places."""

    clock: Clock = field(default_factory=Clock)
    fs: Fs = field(default_factory=Fs)
    pool: Callable[..., Pool] = Pool
    compile_jobs: Callable[..., Compiled] = compile_jobs


class Setup:
    """A workspace in which every deck has one state, and the jobs that are served in it.

    Attributes:
        routes: name of an inbox folder to the jobs that take decks from it.
        takings: job name to that with which its decks are taken.
        problems: what an operator should know of the start, in sentences.
        config_problem: why the config on disk is not the one in use; empty when it is.
        warning: about the file system; empty when it keeps all promises.
    """

    def __init__(self, workspace: Workspace, tell: Tell, tools: Tools) -> None:
        """Open the ledger, recover, read the jobs.

        Raises:
            WorkspaceError: somebody must change something first.
            RestartError: begin again.
        """
        self.workspace, self.tools = workspace, tools
        try:
            self.spec: ServiceSpec = load_service(workspace.service_file)
        except ConfigError as error:
            raise WorkspaceError(str(error)) from error
        self.warning = check_places(workspace, allow_unsafe=self.spec.allow_unsafe_filesystem)
        ledger = open_ledger(workspace)
        self._tell = tell = Identified(tell, ledger)
        self.spool = Spool(workspace, tools.fs, ledger, tools.clock)
        self.lanes = Lanes(workspace, tools.fs, ledger)
        holds = JobHolds(workspace, tools.fs)
        self.runs = Runs(self.spool, self.lanes, holds, self.spec, tools.clock, tell)
        self.operator = Operator(self.spool, self.runs, self.taking_of)
        self.routes: dict[str, list[Route]] = {}
        self.takings: dict[str, Taking] = {}
        self.config_problem = ""
        try:
            self.problems = self._recover()
            self.configure(self.compile(self.spec))
        except (OSError, LedgerError) as error:
            ledger.close()
            raise begin_again(workspace, error) from error

    def _recover(self) -> list[str]:
        drop_answers(self.workspace, self.tools.fs)
        places = self.workspace
        ended = (
            runs_in(places.done)
            or runs_in(places.returned)
            or any(names_in(places.root / ARCHIVES))
        )
        if self.spool.ledger.fresh and ended:
            what = "tries, and decks that were carried away, are forgotten"
            self._tell("ledger_rebuilt", warning=what)
        found = recover(self.spool, self.lanes)
        for row in self.spool.ledger.rows("waiting"):
            self.runs.add(self.spool.claim_of(row.run))
        self.runs.recall()
        for lane, why in found.stopped_lanes.items():
            for name, how in self.spec.jobs.items():
                if how.master == lane:
                    self.runs.hold_job(name, why)
        add_untold(self.workspace, self.spool.ledger, found)
        self._tell_ended(found)
        self._tell(
            "recovered",
            waiting=found.waiting,
            resumed=found.resumed,
            back_in_inbox=found.back_in_inbox,
            damaged=found.damaged,
            problems=found.problems,
        )
        return found.problems

    def _tell_ended(self, found: Found) -> None:
        """Tell of runs that ended as the service did, and of repairs, before it could."""
        for manifest in found.done:
            facts = manifest.figures()
            home = self.workspace.done / manifest.run
            with contextlib.suppress(BadRecordError, OSError):
                facts |= load(Claim, home / CLAIM).ties()
            self._tell("run_done", run=manifest.run, job=manifest.job, deck=manifest.deck.shown,
                       **facts)  # fmt: skip
        for reasons in found.returned:
            first = reasons.entries[0]
            self._tell("deck_returned", run=reasons.run, job=reasons.job, deck=reasons.deck.shown,
                       code=first.code, stage=first.stage, card=first.card)  # fmt: skip
        for run, by in found.repairs:
            self._tell("deck_repaired", run=run, by=by)

    def compile(self, spec: ServiceSpec, beat: Callable[[], object] = lambda: None) -> Compiled:
        """Read and check all jobs; call `beat` about once a second meanwhile."""
        compiled = self.tools.compile_jobs(self.workspace, COMPILE_S, beat=beat)
        return without_lane_faults(compiled, spec, self.workspace)

    def configure(self, compiled: Compiled, spec: ServiceSpec | None = None) -> None:
        """Take over jobs; decks taken before keep the config with which they were taken.

        Raises:
            OSError: a config cannot be kept.
        """
        if spec is not None:
            self.spec = self.runs.spec = spec
        for fault in compiled.faults:
            self._tell("job_refused", fault=fault)
        for fault in compiled.notice_faults:
            self._tell("notice_failed", problem=fault)
        self.config_problem = next(iter([*compiled.faults, *compiled.notice_faults]), "")
        self.takings, self.routes = {}, {}
        self.runs.jobs.clear()
        for job in compiled.jobs.values():
            how = self.spec.job(job.name)
            self.spool.keep_config(job.sha256, job.snapshot)
            self.takings[job.name] = Taking(
                job.name, job.sha256, how.master, job.longest, self.spec.late_s
            )
            self.runs.jobs[job.name] = JobCard(job.name, job.sha256, dict(job.files))
            route = Route(
                job.name, job.names, job.card_bytes, how.require_marker, tuple(how.urgent),
                job.longest,
            )  # fmt: skip
            self.routes.setdefault(job.inbox, []).append(route)
        for folder in self.routes:
            with contextlib.suppress(FileExistsError):
                self.tools.fs.make_folder(self.workspace.inbox / folder)
                self.tools.fs.sync_folder(self.workspace.inbox)  # before anybody lays a deck in it

    def reload(self, beat: Callable[[], object]) -> str:
        """Read service file and jobs again, and take them over when all of them are right.

        Args:
            beat: called about once a second meanwhile.

        Returns:
            The first fault; then nothing was taken over. Empty when all went well.
        """
        try:
            spec = load_service(self.workspace.service_file)
        except ConfigError as error:
            self.config_problem = str(error)
            return self.config_problem
        compiled = self.compile(spec, beat)
        if compiled.faults or compiled.notice_faults:
            self.config_problem = [*compiled.faults, *compiled.notice_faults][0]
            return self.config_problem
        self.configure(compiled, spec)
        return ""

    def taking_of(self, job: str) -> Taking | None:
        """Return with what a deck of a job is taken now, None when there is no such job."""
        return self.takings.get(job)

    def close(self) -> None:
        """Close the ledger."""
        self.spool.ledger.close()


def open_ledger(workspace: Workspace) -> Ledger:
    """Open the ledger for writing.

    Raises:
        RestartError, WorkspaceError
    """
    try:
        return Ledger(workspace.ledger)
    except LedgerError as error:
        msg = f"{workspace.ledger} cannot be opened: {error}; start again"
        raise RestartError(msg) from error
    except NewerLedgerError as error:
        msg = f"{error}; use that version, or move the ledger away to have it rebuilt"
        raise WorkspaceError(msg) from error


def begin_again(workspace: Workspace, error: Exception) -> RestartError:
    """Return the error with which the service ends so that its next start puts things right."""
    what = error.strerror if isinstance(error, OSError) else str(error)
    return RestartError(f"{workspace.root}: {what}; start again, nothing is lost")

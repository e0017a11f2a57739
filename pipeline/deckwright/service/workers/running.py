"""Running one order: the config laid out, the deck through the chain, all of it flushed to disk."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from deckwright.engine.passes.signals import interruptible
from deckwright.engine.planning.given import Paths
from deckwright.engine.planning.plan import Plan, load_plan
from deckwright.engine.run import run_job
from deckwright.errors import TooManyReturnedError
from deckwright.plugin.registry import Registry
from deckwright.service.store.records import BadRecordError
from deckwright.service.store.snapshot import JOB_FILE, LARGEST, Snapshot, digest, read_snapshot
from deckwright.service.system.fs import Fs, digest_of_file
from deckwright.service.system.places import DECK, FAILED_PAGE, MANIFEST, shown
from deckwright.service.workers.failures import Fault, while_loading, while_running
from deckwright.service.workers.messages import Ended, Progress, RunOrder

Say = Callable[[Progress | Ended], None]
"""Told how far a run is, and once how it ended."""

Limit = Callable[[int, int], None]
"""Told the bytes of memory and the seconds of processor time that the run to come may use."""

_PROGRESS_S = 0.5
_OWN = "deckwright "  # how the origin of a plugin that came with the program begins
_COUNTS = ("in", "added", "out", "returned", "set_aside")


def no_limit(_: int, __: int) -> None:
    """Set no limit."""


@dataclass(slots=True)
class Runner:
    """Runs orders in this process, one at a time.

    fs: takes every step on the file system but those of the engine. scratch: a folder of this
    process alone, made when needed; configs are laid out in it and kept for the next order.
    limit: sets the limits of a run. confined: the process has limits of its own.
    """

    fs: Fs
    scratch: Path
    limit: Limit = no_limit
    confined: bool = False
    plain: bool = True
    """Whether all runs so far used no code but that of the program itself."""
    _laid: dict[str, tuple[Snapshot, Path, int]] = field(default_factory=dict)
    _registries: dict[str, Registry] = field(default_factory=dict)
    """Plugins found for a config, by its SHA-256; only where all are of the program itself."""
    _stages: dict[str, float] = field(default_factory=dict)

    def run(self, order: RunOrder, say: Say) -> None:
        """Run an order; whatever happens, say once how it ended."""
        begun = time.monotonic()
        self._stages = {}
        try:
            counts, manifest = self._run(order, say)
        except _Failed as failed:
            ended = failed.fault.ended(order.run, time.monotonic() - begun)
            ended = ended.model_copy(update={"stages": self._stages})
        else:
            seconds = time.monotonic() - begun
            ended = Ended(
                run=order.run, outcome="done", counts=counts, manifest=manifest, seconds=seconds,
                stages=self._stages,
            )  # fmt: skip
        say(ended)

    def _run(self, order: RunOrder, say: Say) -> tuple[dict[str, int], str]:
        """Run an order; return its counts and the SHA-256 of its manifest."""
        base, told = self.scratch, while_loading
        try:
            with interruptible():
                snapshot, job, memory = self._config(order)
                base = job.parent
                self.limit(memory, order.cpu_s)
                plan = self._plan(order, snapshot, job)
                told = while_running
                return self._work(order, plan, say)
        except _Failed:
            raise
        # whatever a plugin raises, an exit and an interrupt among it, ends the run alone
        except BaseException as error:
            fault = told(error, order.deck_name, base, confined=self.confined)
            raise _Failed(fault) from error

    def _config(self, order: RunOrder) -> tuple[Snapshot, Path, int]:
        """Return the snapshot of an order, its job file, laid out, and the memory it may use."""
        path = Path(order.snapshot)
        if path.stem not in self._laid:
            snapshot = self._snapshot(path)
            if not self.scratch.exists():
                self.fs.make_folder(self.scratch)
            folder = self.scratch / path.stem
            if folder.exists():  # an attempt that found no room
                self.fs.remove_tree(folder)
            self._laid[path.stem] = snapshot, snapshot.lay_out(folder, self.fs), snapshot.memory
        return self._laid[path.stem]

    def _snapshot(self, path: Path) -> Snapshot:
        try:
            data = self.fs.read(path, LARGEST)
            if digest(data) != path.stem:
                what = f"{path.name} has other bytes than its name says"
                raise _Failed(Fault("job", "config-changed", what))
            return read_snapshot(data)
        except FileNotFoundError as error:
            raise _Failed(Fault("job", "config-missing", f"{path.name} is missing")) from error
        except BadRecordError as error:
            raise _Failed(Fault("job", "config-changed", f"{path.name}: {error}")) from error

    def _plan(self, order: RunOrder, snapshot: Snapshot, job: Path) -> Plan:
        plain, self.plain = self.plain, False  # until all that it loads is known
        root = Path(order.snapshot).parents[2]
        sha256 = Path(order.snapshot).stem
        kept = self._registries.get(sha256)
        plan = load_plan(job, snapshot.named_files(root) | order.files, kept)
        if plan.configs.used != snapshot.files:
            odd = {*plan.configs.used.items()} ^ {*snapshot.files.items()}
            name = min(name for name, _ in odd)
            what = f"the job does not load as it was: {name} differs"
            raise _Failed(Fault("job", "config-differs", what))
        own = all(origin.startswith(_OWN) for origin in plan.registry.origins())
        own = own and not plan.spec.plugins
        if own:
            self._registries[sha256] = plan.registry
        self.plain = plain and own
        return plan

    def _work(self, order: RunOrder, plan: Plan, say: Say) -> tuple[dict[str, int], str]:
        home = Path(order.folder)
        deck, out = home / DECK, home / order.out
        name = order.deck_name
        if name in {".", ".."} or "/" in name or "\0" in name:
            what = f"{shown(name[:80])!r} is no name for a deck"
            raise _Failed(Fault("job", "order", what))
        if not deck.is_file():
            raise _Failed(Fault("stage", "deck-missing", f"the deck {name!r} has gone"))
        decks, names = _decks(plan, deck, name)
        try:
            outcome = run_job(
                Path(plan.path), decks, out, workers=1, names=names, plan=plan,
                progress=_Throttle(order.run, say, self._stages),
            )  # fmt: skip
        except TooManyReturnedError as error:
            self._keep_page(error, home)
            raise
        self.fs.sync_tree(out)
        self.fs.sync_folder(home)
        equation = outcome.control["equation"]
        assert isinstance(equation, dict)  # noqa: S101 # what the engine writes
        counts = {name: int(equation[name]) for name in _COUNTS}
        return counts, digest_of_file(out / MANIFEST)[1]

    def _keep_page(self, error: TooManyReturnedError, home: Path) -> None:
        """Give the page of a stopped run, named after this attempt, the name it goes back with."""
        if error.page:
            with contextlib.suppress(OSError):
                self.fs.rename_new(Path(error.page), home / FAILED_PAGE)
                error.page = str(home / FAILED_PAGE)


def _decks(plan: Plan, deck: Path, name: str) -> tuple[Paths, list[str]]:
    """Return the decks of a run and what they are called: that of the inbox, others in files."""
    if not plan.named:
        return [deck], [name]
    files = plan.spec.files
    names = [PurePosixPath(files[each.file]).name if each.file else name for each in plan.named]
    return {each.name: deck for each in plan.named if not each.file}, names


class _Failed(Exception):  # noqa: N818 # carries a fault from where it is known to where it is told
    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(fault.code)


@dataclass(slots=True)
class _Throttle:
    """Says how far a run is, about twice a second at most; keeps the seconds of each pass."""

    run: str
    say: Say
    stages: dict[str, float]
    last: float = field(default_factory=time.monotonic)
    at: float = field(default_factory=time.monotonic)

    def __call__(self, stage: str, done: int, total: int) -> None:
        now = time.monotonic()
        name = stage[:200]
        self.stages[name] = round(self.stages.get(name, 0.0) + now - self.at, 6)
        self.at = now
        if now - self.last >= _PROGRESS_S:
            self.last = now
            self.say(Progress(run=self.run, stage=stage[:500], done=done, total=total))


def default_scratch(order: RunOrder) -> Path:
    """Return a folder for configs in the workspace of an order, of this process alone."""
    return Path(order.snapshot).parents[2] / "tmp" / f"here-{os.getpid()}"


__all__ = ["JOB_FILE", "Runner", "Say", "default_scratch"]

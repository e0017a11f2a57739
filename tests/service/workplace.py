"""A workspace with compiled jobs, decks in it, and a pool that is stopped whatever happens."""

from __future__ import annotations

import json
import os
import select
import shutil
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

from deckwright.jobs.service import ServiceSpec
from deckwright.service.config.compile import CompiledJob, compile_jobs
from deckwright.service.system.clock import Clock
from deckwright.service.system.places import FOLDERS, Workspace
from deckwright.service.workers.messages import Ended, Progress, RunOrder
from deckwright.service.workers.pool import Pool

BAD_PLUGINS = Path(__file__).parent / "bad_plugins"
CANARY = "CANARY7391"
"""Stands on cards, and nowhere else."""

PATIENCE_S = 240.0
"""After this a test gives up; on a quiet machine nothing here takes a twentieth of it."""

_numbers = count(1)


@dataclass
class Workplace:
    """A workspace and what was compiled in it."""

    root: Path
    jobs: dict[str, CompiledJob] = field(default_factory=dict)

    @property
    def workspace(self) -> Workspace:
        return Workspace(self.root)

    def compile(self) -> None:
        """Compile all jobs, which must be right, and keep their configs."""
        compiled = compile_jobs(self.workspace, PATIENCE_S)
        assert compiled.faults == [], compiled.faults
        self.jobs = compiled.jobs
        for job in self.jobs.values():
            (self.workspace.used / f"{job.sha256}.json").write_bytes(job.snapshot)

    def order(self, job: str, cards: bytes, **given: Any) -> RunOrder:
        """Lay a deck into a fresh folder of a run; return the order to run it."""
        run = f"{next(_numbers):016x}-{0:06x}-1"
        home = self.workspace.work / run
        home.mkdir()
        (home / "deck").write_bytes(cards)
        snapshot = self.workspace.used / f"{self.jobs[job].sha256}.json"
        facts = {"out": "out.1", "deck_name": "receipts.txt", "cpu_s": 600, **given}
        return RunOrder(run=run, folder=str(home), snapshot=str(snapshot), **facts)

    @contextmanager
    def pool(self, lock: int | None = None, **spec: Any) -> Iterator[Hand]:
        """Give a pool; stop it in the end and see that it leaves nothing."""
        before = set(self.workspace.tmp.iterdir())
        made = Pool(ServiceSpec(**spec), self.workspace, lock, Clock())
        try:
            yield Hand(made, self)
        finally:
            made.stop(0)
        assert set(self.workspace.tmp.iterdir()) <= before
        assert made.running() == []


@dataclass
class Hand:
    """Gives orders to a pool and waits for their ends. said: every message, in order."""

    pool: Pool
    place: Workplace
    said: list[Progress | Ended] = field(default_factory=list)

    def start(self, order: RunOrder, *, large: bool = False, seconds: float = PATIENCE_S) -> None:
        """Give an order as soon as a worker is free."""
        end = time.monotonic() + PATIENCE_S
        while not self.pool.free(large):
            assert time.monotonic() < end
            self.listen()
        sha256 = Path(order.snapshot).stem
        self.pool.start(order, large=large, seconds=seconds, config=sha256)

    def listen(self) -> None:
        """Wait a moment for messages and take them."""
        select.select(self.pool.descriptors(), [], [], 0.05)
        self.said += self.pool.poll()

    def ends(self, orders: Sequence[RunOrder]) -> list[Ended]:
        """Wait until orders have ended; return how, in their order."""
        end = time.monotonic() + PATIENCE_S
        while any(order.run in self.pool.running() for order in orders):
            assert time.monotonic() < end, self.pool.running()
            self.listen()
        self.said += self.pool.poll()
        ended = {each.run: each for each in self.said if isinstance(each, Ended)}
        assert len(ended) == sum(isinstance(each, Ended) for each in self.said)
        return [ended[order.run] for order in orders]

    def run(self, job: str, cards: bytes, *, seconds: float = PATIENCE_S, **given: Any) -> Ended:
        """Run one deck; return how it ended."""
        order = self.place.order(job, cards, **given)
        self.start(order, seconds=seconds)
        return self.ends([order])[0]

    def out(self, ended: Ended) -> Path:
        """Return the run folder of a run that is done."""
        return self.place.workspace.work / ended.run / "out.1"


def make_workplace(root: Path, shop: Any, jobs: Mapping[str, Mapping[str, Any]]) -> Workplace:
    """Make a workspace with jobs: name to stages between validate and emit, and job tables."""
    for name in FOLDERS:
        (root / name).mkdir(parents=True)
    folder = root / "config" / "jobs"
    for name, tables in jobs.items():
        add_job(folder, shop, name, **tables)
    return Workplace(root)


def add_job(
    folder: Path, shop: Any, name: str, stages: Sequence[Mapping[str, Any]] = (), **tables: Any
) -> Path:
    """Write a job and the one-file plugins that it names; its layout goes to the layouts."""
    for plugin in tables.get("plugins", ()):
        shutil.copy(BAD_PLUGINS / plugin, folder / plugin)
    path = shop.job(folder, shop.chain(*stages), name=name, **tables)
    (folder / "receipts.toml").replace(folder.parent / "layouts" / "receipts.toml")
    return Path(path)


def alive(pid: int) -> bool:
    """Tell whether a process runs."""
    try:
        status = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
    return status.rpartition(")")[2].split()[0] not in "ZX"


def written(folder: Path, content: Any) -> Path:
    """Write JSON into a file."""
    path = folder / f"{next(_numbers)}.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def modes(folder: Path) -> set[int]:
    """Return the modes of all files below a folder."""
    return {path.stat().st_mode & 0o777 for path in folder.rglob("*") if path.is_file()}


def inherited(pid: int) -> dict[str, str]:
    """Return the environment of a process."""
    pairs = Path(f"/proc/{pid}/environ").read_bytes().split(b"\0")
    return dict(os.fsdecode(pair).split("=", 1) for pair in pairs if b"=" in pair)

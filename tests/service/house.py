"""A house: a workspace with jobs, and the service in it as a process that is started and stopped.

What the service logs is read from a file, what it does is seen from the folders. Nothing waits for
a set time: a test waits for what it wants to see, with a patience that no sound service needs.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any, TypeVar

from deckwright.cli.main import main
from deckwright.service.operate.control import Request
from deckwright.service.operate.starting import init_workspace
from deckwright.service.store.records import Claim, Manifest, Reasons, parse
from deckwright.service.system.lock import is_locked
from deckwright.service.system.places import Workspace
from service.contract import Tally, assert_contract
from service.house_jobs import (
    CANARY,
    FIRST_MASTER,
    LAYOUT,
    card,
    cards_of,
    chain,
    deck,
    lane_chain,
    run_of,
)

__all__ = [
    "CANARY", "COMMAND", "LAYOUT", "PATIENCE_S", "PLAIN", "House", "ask", "card", "cards_of",
    "chain", "deck", "house", "lane_chain", "run_of", "wait_until",
]  # fmt: skip

COMMAND = [sys.executable, "-c", "from deckwright.cli.main import main; main()"]
"""The command `deckwright` in a process of its own."""

_DROP = """
import ctypes, os, sys
# CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH, CAP_FOWNER, CAP_LEASE: to pass over the modes of files and
# over their owners
for right in (1, 2, 3, 28):
    ctypes.CDLL(None).prctl(24, right, 0, 0, 0)  # PR_CAPBSET_DROP
os.execv(sys.argv[1], sys.argv[1:])
"""
PLAIN = [sys.executable, "-c", _DROP]
"""Starts a command for which modes and owners of files count, whoever starts it."""

PATIENCE_S = 240.0
"""After this a test gives up; on a quiet machine nothing here takes a twentieth of it."""

PLUGINS = [Path(__file__).parent / name for name in ("house_plugins", "bad_plugins")]

Stages = Sequence[Mapping[str, Any]]
Found = TypeVar("Found")

_TICK_S = 0.01
_numbers = count(1)


def wait_until(look: Callable[[], Found], what: Callable[[], str] = str) -> Found:
    """Return what a look finds as soon as that is something true.

    what: tells, when it never is, what it was.
    """
    end = time.monotonic() + PATIENCE_S
    while not (found := look()):
        assert time.monotonic() < end, f"waited in vain for {what()}"
        time.sleep(_TICK_S)
    return found


@dataclass
class House:
    """A workspace, and what was laid into its inbox.

    dropped: name and bytes of every deck. speed: how many times faster than real time the clock
    of the service runs.
    """

    root: Path
    dropped: list[tuple[str | bytes, bytes]] = field(default_factory=list)
    speed: float = 1.0
    process: subprocess.Popen[bytes] | None = None
    env: dict[str, str] = field(default_factory=dict)
    umask: int = 0o022
    plain: bool = False
    """Whether the service is to have no rights beyond those of files, though root starts it."""
    _at_start: int = 0

    @property
    def workspace(self) -> Workspace:
        return Workspace(self.root)

    @property
    def gates(self) -> Path:
        """A folder for files on which stages wait."""
        return self.root.parent / "gates"

    # ---- config

    def settings(self, text: str = "", **tables: Any) -> None:
        """Write the service file: short waits, and what is given."""
        waits = {"settle_s": 0.05, "scan_s": 1, "stop_s": 20, "workers": 1}
        lines = [f"{key} = {_toml(value)}" for key, value in (waits | tables).items()]
        path = self.root / "config" / "service.toml"
        path.write_text("\n".join(lines) + f"\n{text}\n", encoding="utf-8")

    def job(self, name: str, stages: Stages | None = None, **tables: Any) -> Path:
        """Write a job with its layout and its one-file plugins; return its path."""
        jobs = self.root / "config" / "jobs"
        (self.root / "config" / "layouts" / "stock.toml").write_text(LAYOUT, encoding="utf-8")
        for plugin in tables.get("plugins", ()):
            source = next(place / plugin for place in PLUGINS if (place / plugin).exists())
            shutil.copy(source, jobs / plugin)
        files = tables.pop("files", {})
        head = {"title": "Test", **tables}
        lines = [f"{key} = {_toml(value)}" for key, value in head.items()]
        if files:
            lines += ["", "[files]", *(f"{key} = {_toml(value)}" for key, value in files.items())]
        for stage in chain() if stages is None else stages:
            lines += ["", "[[stage]]", *(f"{key} = {_toml(value)}" for key, value in stage.items())]
        path = jobs / f"{name}.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    def gated(
        self, name: str, *, orphan: bool = False, stubborn: bool = False, **tables: Any
    ) -> Path:
        """Write a job whose runs wait until the gate of its name stands open."""
        self.gates.mkdir(exist_ok=True)
        file = str(self.gates / name)
        stage = {"kind": "gate", "file": file, "orphan": orphan, "stubborn": stubborn}
        return self.job(name, chain(stage), plugins=["gate.py"], **tables)

    def open_gate(self, name: str) -> None:
        """Let the runs of a job go on."""
        (self.gates / name).touch()

    def at_gate(self, name: str, runs: int = 1) -> None:
        """Wait until so many runs have come to a gate ever."""
        self.wait(lambda: len(list(self.gates.glob(f"{name}.at-*"))) >= runs, f"{runs} at {name}")

    def lane(self, name: str = "stock") -> str:
        """Write a job that moves on a master; return what the service file must say of it."""
        (self.root / "config" / "first-master.csv").write_bytes(FIRST_MASTER.encode())
        self.job(name, lane_chain(), files={"stock": "../first-master.csv"},
                 plugins=["post.py"])  # fmt: skip
        return f'[jobs.{name}]\nmaster = "stock"\nnext_master = "next.csv"\n'

    # ---- the inbox

    def drop(self, name: str | bytes, data: bytes, job: str = "cards") -> str:
        """Lay a deck into the inbox of a job as a careful sender does; return its first run."""
        folder = self.root / "inbox" / job
        folder.mkdir(exist_ok=True)
        aside = folder / f".coming-{next(_numbers)}"
        aside.write_bytes(data)
        aside.rename(folder / os.fsdecode(name))
        self.dropped.append((name, data))
        return run_of(name, data)

    def drop_all(self, decks: Mapping[str, bytes], job: str = "cards") -> list[str]:
        """Lay several decks; return their first runs."""
        return [self.drop(name, data, job) for name, data in decks.items()]

    # ---- the service

    def start(self, *more: str, wait: bool = True) -> None:
        """Start the service; wait until it is ready."""
        assert self.process is None
        self._at_start = len(self.log())
        with self._file("log").open("ab") as out, self._file("errors").open("ab") as err:
            self.process = subprocess.Popen(  # noqa: S603 # our own command
                [*self._command(), "watch", str(self.root), *more],
                stdin=subprocess.DEVNULL, stdout=out, stderr=err,
                env={**os.environ, **self.env}, umask=self.umask,
            )  # fmt: skip
        if wait:
            self.told("service_ready")

    def _command(self) -> list[str]:
        fast = [sys.executable, str(Path(__file__).with_name("fast_clock.py")), str(self.speed)]
        return [*(PLAIN if self.plain else []), *(COMMAND if self.speed == 1 else fast)]

    def once(self) -> None:
        """Have the service take what is there, and wait until it has ended well."""
        self.start("--once", wait=False)
        assert self.ended() == 0, self.words()

    def signal(self, number: signal.Signals) -> None:
        """Send the service a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def ended(self) -> int:
        """Wait for the end of the service; return its exit code, negative for a signal."""
        assert self.process is not None
        code = self.process.wait(PATIENCE_S)
        self.process = None
        return code

    def stop(self) -> None:
        """Have the service end, which it must do well."""
        self.signal(signal.SIGTERM)
        assert self.ended() == 0, self.words()

    def kill(self) -> None:
        """Kill the service, and wait until its workers have ended with it."""
        self.signal(signal.SIGKILL)
        self.ended()
        self.wait(lambda: not is_locked(self.workspace), "the end of the workers")

    @contextlib.contextmanager
    def serving(self, *more: str) -> Iterator[House]:
        """Have the service run for a while."""
        self.start(*more)
        yield self
        self.stop()

    @staticmethod
    def say(*arguments: object) -> tuple[int, str, str]:
        """Give a command in this process; return exit code, output and errors."""
        out, err = io.StringIO(), io.StringIO()
        before, code = sys.argv, 0
        sys.argv = ["deckwright", *map(str, arguments)]
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                main()
        except SystemExit as leaving:
            code = leaving.code if isinstance(leaving.code, int) else 1
        finally:
            sys.argv = before
        return code, out.getvalue(), err.getvalue()

    def call(self, *arguments: object) -> tuple[int, str, str]:
        """Give a command in a process of its own; return exit code, output and errors."""
        done = subprocess.run(  # noqa: S603 # our own command
            [*self._command(), *map(str, arguments)],
            capture_output=True,
            check=False,
            env={**os.environ, **self.env},
            timeout=PATIENCE_S,
        )
        return done.returncode, done.stdout.decode(), done.stderr.decode()

    # ---- what it tells

    def log(self) -> list[dict[str, Any]]:
        """Return every line of the log; each is one JSON object."""
        path = self._file("log")
        data = path.read_bytes() if path.exists() else b""
        return [json.loads(line) for line in data[: data.rfind(b"\n") + 1].splitlines()]

    def words(self) -> str:
        """Return what the service said on its error output, and the last it logged."""
        path = self._file("errors")
        said = path.read_text(errors="replace") if path.exists() else ""
        return "\n".join([said, *map(str, self.log()[-20:])])

    def since_start(self) -> list[dict[str, Any]]:
        """Return what was logged since the service was started last."""
        return self.log()[self._at_start :]

    def events(self, event: str, **facts: object) -> list[dict[str, Any]]:
        """Return the lines of a name, with these facts, since the service was started last."""
        return [
            line
            for line in self.since_start()
            if line["event"] == event and facts.items() <= line.items()
        ]

    def told(self, event: str, **facts: object) -> dict[str, Any]:
        """Wait until the running service logs an event with these facts; return its first line."""

        def look() -> list[dict[str, Any]]:
            found = self.events(event, **facts)
            gone = self.process is not None and self.process.poll() is not None
            assert found or not gone, f"it ended without {event} {facts}:\n{self.words()}"
            return found

        return self.wait(look, f"{event} {facts}")[0]

    def wait(self, look: Callable[[], Found], what: str) -> Found:
        """Wait until a look finds something true."""
        return wait_until(look, lambda: f"{what}:\n{self.words()}")

    def _file(self, kind: str) -> Path:
        return self.root.parent / f"{self.root.name}.{kind}"

    # ---- what it did

    def state(self, run: str) -> str:
        """Return where a run lies: `work`, `hold`, `done`, `returned`, or nowhere."""
        places = ("done", "returned", "hold", "work")
        return next((place for place in places if (self.root / place / run).is_dir()), "")

    def end_of(self, run: str) -> Path:
        """Wait for the end of a run; return its folder."""

        def look() -> str:
            gone = self.process is not None and self.process.poll() is not None
            place = self.state(run)
            assert place in {"done", "returned"} or not gone, f"it ended without {run}"
            return place if place in {"done", "returned"} else ""

        return self.root / self.wait(look, f"the end of {run}") / run

    def done(self, run: str) -> Path:
        """Wait for a run to be done; return its folder."""
        home = self.end_of(run)
        assert home.parent.name == "done", (home / "reasons.txt").read_text()
        return home

    def returned(self, run: str) -> list[str]:
        """Wait for a deck to come back; return the codes of its reasons."""
        home = self.end_of(run)
        assert home.parent.name == "returned"
        return [each.code for each in self.reasons(run).entries]

    def reasons(self, run: str) -> Reasons:
        return parse(Reasons, (self.root / "returned" / run / "reasons.json").read_bytes())

    def claim(self, run: str) -> Claim:
        return parse(Claim, (self.root / self.state(run) / run / "claim.json").read_bytes())

    def manifest(self, run: str) -> Manifest:
        return parse(Manifest, (self.root / "done" / run / "manifest.json").read_bytes())

    def status(self) -> dict[str, Any]:
        """Return what `deckwright status --json` tells."""
        code, out, err = self.say("status", self.root, "--json")
        found = json.loads(out)
        assert (code, err) == (found["exit_code"], "")
        return found

    def check(self, *, ended: bool = False) -> Tally:
        """Fail unless every deck dropped is in exactly one state."""
        return assert_contract(self.root, self.dropped, ended=ended)


def ask(house: House, wish: str, what: str) -> Path:
    """Leave a request as an operator's command does; return where the answer will lie."""
    name = f"a{next(_numbers):015x}"
    aside = house.workspace.control / f"{name}.tmp"
    aside.write_bytes(Request(wish=wish, what=what).to_bytes())
    aside.rename(aside.with_suffix(".request"))
    return aside.with_suffix(".answer")


@contextlib.contextmanager
def house(speed: float = 1, *, example: bool = False, **settings: Any) -> Iterator[House]:
    """Give an empty house with the job `cards`, in memory where that can be.

    example: whether it also has the job `first`, which every start would compile.
    """
    memory = Path("/dev/shm")  # noqa: S108 # a fresh folder of its own in it
    where = memory if os.access(memory, os.W_OK) else None
    room = Path(tempfile.mkdtemp(prefix="deckwright-", dir=where))
    made = House(room / "house", speed=speed)
    try:
        init_workspace(made.root, example=True)
        if not example:
            (made.root / "config" / "jobs" / "first.toml").unlink()
            (made.root / "inbox" / "first").rmdir()
        (made.root / "inbox" / "cards").mkdir()
        made.settings(**settings)
        made.job("cards")
        yield made
    finally:
        if made.process is not None:
            made.process.kill()
            made.process.wait()
        shutil.rmtree(room)


def _toml(value: object) -> str:
    """Return a value as inline TOML."""
    if isinstance(value, Mapping):
        pairs = (f"{json.dumps(name)} = {_toml(item)}" for name, item in value.items())
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value)

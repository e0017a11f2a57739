"""What all tests share: a workshop that makes jobs and runs them, and a watch on what is left."""

from __future__ import annotations

import contextlib
import gc
import hashlib
import io
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import structlog
from hypothesis import settings

from deckwright.cli.main import main
from deckwright.engine.passes.executors import Executor
from deckwright.engine.planning.limits import Sizes
from deckwright.engine.run import Outcome, run_job

# a process that runs tests makes a million objects while it loads them, and all of them stay
gc.disable()

# how long an example takes says how busy the machine is, and no more
settings.register_profile("patient", deadline=None, max_examples=50)
settings.load_profile("patient")

SMALL = Sizes(cards_a_task=7, cards_a_tray=3)
"""Sizes that cut a deck of some dozen cards into several tasks, trays and ranges."""

COMMAND = [sys.executable, "-c", "from deckwright.cli.main import main; main()"]
"""The command `deckwright` in a process of its own."""

RECEIPTS = """
title = "Receipt card of an invented depot"

[[field]]
name = "item"
columns = "1-5"
kind = "digits"
blank = "error"

[[field]]
name = "amount"
columns = "6-11"
kind = "decimal"
decimals = 2
sign = "overpunch-right"

[[field]]
name = "note"
columns = "12-30"
kind = "text"
"""
"""The layout that most tests use."""


@dataclass(frozen=True, slots=True)
class Said:
    """What the command line answered."""

    code: int
    out: str
    err: str


class Workshop:
    """Makes jobs, layouts and decks in a folder, and runs them."""

    small = SMALL
    receipts = RECEIPTS
    command = COMMAND

    @staticmethod
    def toml(value: object) -> str:
        """Return a value as inline TOML."""
        if isinstance(value, Mapping):
            inner = ", ".join(
                f"{json.dumps(name)} = {Workshop.toml(item)}" for name, item in value.items()
            )
            return f"{{ {inner} }}"
        if isinstance(value, (list, tuple)):
            return f"[{', '.join(Workshop.toml(item) for item in value)}]"
        return json.dumps(value)

    @staticmethod
    def job(
        folder: Path,
        stages: Sequence[Mapping[str, Any]],
        layouts: Mapping[str, str] | None = None,
        name: str = "job",
        **tables: Any,
    ) -> Path:
        """Write a job, one option a line, and its layouts into a folder; return the job's path."""
        for layout, text in (layouts or {"receipts": RECEIPTS}).items():
            (folder / f"{layout}.toml").write_text(text, encoding="utf-8")
        lines = [f"title = {json.dumps(tables.pop('title', 'Test'))}"]
        files = tables.pop("files", None)
        lines += [f"{key} = {Workshop.toml(value)}" for key, value in tables.items()]
        if files:
            lines += ["", "[files]", *(f"{k} = {Workshop.toml(v)}" for k, v in files.items())]
        for stage in stages:
            lines += ["", "[[stage]]", *(f"{k} = {Workshop.toml(v)}" for k, v in stage.items())]
        path = folder / f"{name}.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    @staticmethod
    def chain(*middle: Mapping[str, Any], **decode: Any) -> list[Mapping[str, Any]]:
        """Return a chain over text lines: decode, validate, the given stages, emit."""
        return [
            {"kind": "decode", "medium": {"kind": "text"}, **decode},
            {"kind": "validate", "layout": "receipts", "most_returned": "100 %"},
            *middle,
            {
                "kind": "emit",
                "output": [
                    {"file": "cards.csv", "form": "csv"},
                    {"file": "cards.txt", "form": "deck"},
                ],
            },
        ]

    @staticmethod
    def deck(path: Path, cards: Sequence[str] | bytes) -> Path:
        """Write a deck, given as bytes or as the texts of its cards."""
        data = cards if isinstance(cards, bytes) else Workshop.lines(cards)
        path.write_bytes(data)
        return path

    @staticmethod
    def lines(cards: Sequence[str]) -> bytes:
        """Return cards as text lines of 80 columns in Latin-1."""
        return "".join(f"{card:<80}\n" for card in cards).encode("latin-1")

    @staticmethod
    def receipt(item: int | str, amount: str = "00100{", note: str = "") -> str:
        """Return the text of a receipt card."""
        number = f"{item:05}" if isinstance(item, int) else item
        return f"{number}{amount}{note}"

    @staticmethod
    def run(
        job: Path,
        *decks: Path,
        out: Path | None = None,
        sizes: Sizes | None = None,
        workers: int = 1,
        executor: Executor | None = None,
        replaced: Mapping[str, str] | None = None,
    ) -> Outcome:
        """Run decks through a job, in this process unless told otherwise."""
        return run_job(
            job,
            list(decks),
            out or job.parent / "run",
            workers=workers,
            sizes=sizes,
            executor=executor,
            replaced=replaced,
        )

    @staticmethod
    def control(run: Path) -> Any:
        """Return the content of control.json."""
        return json.loads((run / "control.json").read_text(encoding="utf-8"))

    @staticmethod
    def files(folder: Path) -> dict[str, bytes]:
        """Return every file below a folder with its bytes."""
        return {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    @staticmethod
    def sums(folder: Path) -> dict[str, str]:
        """Return every file below a folder with its SHA-256, which a failing test shows briefly."""
        return {
            name: hashlib.sha256(data).hexdigest() for name, data in Workshop.files(folder).items()
        }

    @staticmethod
    def say(*arguments: object) -> Said:
        """Give a command line in this process; return exit code and what was printed."""
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
        return Said(code, out.getvalue(), err.getvalue())

    @staticmethod
    def call(
        *arguments: object, env: Mapping[str, str] | None = None, name: str = "", **options: Any
    ) -> Said:
        """Give a command line in a process of its own; name: what the command is called by."""
        before, start = COMMAND[:-1], COMMAND[-1]
        called = f"import sys; sys.argv[0] = {name!r}; {start}" if name else start
        done = subprocess.run(  # noqa: S603 # our own command
            [*before, called, *map(str, arguments)],
            capture_output=True,
            check=False,
            text=True,
            env={**os.environ, **(env or {})},
            timeout=600,
            **options,
        )
        return Said(done.returncode, done.stdout, done.stderr)


def pytest_collection_finish() -> None:
    """Look for garbage from now on, among what the tests make."""
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session")
def shop() -> Workshop:
    """Return the workshop; it holds no state, so properties may share it."""
    return Workshop()


@pytest.fixture(scope="session")
def room(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return a maker of fresh folders, for properties, which take no folder of their own."""
    return lambda: tmp_path_factory.mktemp("room")


@pytest.fixture
def make_job(tmp_path: Path) -> Any:
    """Return a writer of jobs into the test's own folder: stages, layouts, tables -> path."""
    return lambda *given, **tables: Workshop.job(tmp_path, *given, **tables)


@pytest.fixture
def unmeasured(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep coverage out of the processes that a test starts: there it loads and writes files."""
    monkeypatch.delenv("COVERAGE_PROCESS_CONFIG", raising=False)


@pytest.fixture(autouse=True)
def nothing_is_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread or a child process; let each begin with a fresh log."""
    threads, children = set(threading.enumerate()), _children()
    yield
    structlog.reset_defaults()
    end = time.monotonic() + 60
    while time.monotonic() < end:
        left_threads = set(threading.enumerate()) - threads
        left_children = _children() - children
        if not left_threads and not left_children:
            return
        time.sleep(0.02)
    pytest.fail(f"left behind: {left_threads or ''} {left_children or ''}")


def _children() -> set[int]:
    """Return the child processes of this one, without the tracker that spawning starts once."""
    found: set[int] = set()
    try:
        os.waitid(os.P_ALL, 0, os.WEXITED | os.WNOHANG | os.WNOWAIT)
    except ChildProcessError:
        return found  # there are none at all, as before most tests
    for name in filter(str.isdigit, os.listdir("/proc")):  # noqa: PTH208 # paths would be slow
        with contextlib.suppress(OSError), open(f"/proc/{name}/stat", "rb") as status:  # noqa: PTH123
            # the command stands in parentheses; state and parent follow it
            parent = int(status.read().rpartition(b")")[2].split()[1])
            if parent == os.getpid() and not _is_tracker(int(name)):
                found.add(int(name))
    return found


def _is_tracker(pid: int) -> bool:
    return b"resource_tracker" in Path(f"/proc/{pid}/cmdline").read_bytes()

"""What the checks on open data share: finding a file, running a job, reading the run folder."""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from types import ModuleType
from typing import Any, NoReturn

import polars as pl
import pytest

from deckwright.engine.planning.limits import Sizes
from deckwright.engine.run import run_job

JOBS = Path(__file__).parent / "jobs"


@dataclass(frozen=True, slots=True)
class Run:
    """A finished run: its folder, and `control.json` as it was written there."""

    folder: Path
    control: Mapping[str, Any]

    def table(self, name: str) -> pl.DataFrame:
        """Return a CSV of the run folder; every value is text, so that nothing is rounded."""
        return pl.read_csv(self.folder / name, infer_schema=False)

    def deck(self, name: str) -> bytes:
        """Return a delivered deck."""
        return (self.folder / "out" / name).read_bytes()

    def stage(self, number: int) -> Mapping[str, Any]:
        """Return the account of a stage."""
        return self.control["stages"][number - 1]

    def reasons(self) -> dict[tuple[str, str, str], int]:
        """Return the cards of every (severity, reason, field)."""
        found: dict[tuple[str, str, str], int] = {}
        for entry in self.control["reasons"]:
            key = (entry["severity"], entry["reason"], entry["field"])
            found[key] = found.get(key, 0) + entry["cards"]
        return found


def _missing(what: str) -> NoReturn:
    """Skip for want of a package; where the packages must be there, fail."""
    if os.environ.get("CI"):
        pytest.fail(what)
    pytest.skip(what)


@pytest.fixture(scope="session")
def data_file() -> Callable[[str, str, str], Path]:
    """Return a finder: distribution, path in it, first digits of the SHA-256 -> path."""

    def find(dist: str, path: str, sha256: str) -> Path:
        try:
            file = Path(str(distribution(dist).locate_file(path)))
        except PackageNotFoundError:
            _missing(f"package {dist!r} is not installed")
        if not file.is_file():
            _missing(f"package {dist!r} has no file {path!r}")
        found = hashlib.sha256(file.read_bytes()).hexdigest()
        assert found.startswith(sha256), f"{path} of {dist} is another file: {found}"
        return file

    return find


@pytest.fixture(scope="session")
def reader() -> Callable[[str], ModuleType]:
    """Return an importer of the independent readers."""

    def load(module: str) -> ModuleType:
        try:
            return importlib.import_module(module)
        except ModuleNotFoundError as error:
            _missing(f"the independent reader cannot be imported: {error}")

    return load


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Run]:
    """Return a runner: name of a job in `jobs`, decks -> the run."""

    def start(
        job: str,
        *decks: Path,
        replaced: Mapping[str, Path] | None = None,
        sizes: Sizes | None = None,
    ) -> Run:
        out = tmp_path_factory.mktemp(job) / "run"
        named = {name: str(path) for name, path in (replaced or {}).items()}
        run_job(JOBS / f"{job}.toml", list(decks), out, workers=1, replaced=named, sizes=sizes)
        control = json.loads((out / "control.json").read_text(encoding="utf-8"))
        assert control["equation"]["holds"]
        return Run(out, control)

    return start


@pytest.fixture(scope="session")
def refused(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Path], tuple[int, str]]:
    """Return a runner of the command for decks that must not pass: -> (exit code, message)."""

    def start(job: str, deck: Path) -> tuple[int, str]:
        out = tmp_path_factory.mktemp(job) / "run"
        command = [sys.executable, "-c", "from deckwright.cli.main import main; main()", "run"]
        done = subprocess.run(  # noqa: S603 # our own command
            [*command, str(JOBS / f"{job}.toml"), str(deck), "--out", str(out)],
            capture_output=True,
            check=False,
            text=True,
        )
        left = {path.name for path in out.parent.iterdir()}
        assert left <= {"run-failed.html"}, "a run that stops leaves the page of it at most"
        return done.returncode, done.stderr

    return start


@pytest.fixture(scope="session")
def total() -> Callable[[pl.DataFrame, str], Decimal]:
    """Return a summer: the exact total of a column of decimal texts, blanks left out."""

    def add_up(table: pl.DataFrame, column: str) -> Decimal:
        return sum((Decimal(text) for text in table[column].drop_nulls()), Decimal(0))

    return add_up


@pytest.fixture(scope="session")
def small_pieces() -> Sizes:
    """Return sizes that cut a deck of some 50,000 records into several tasks and many trays."""
    return Sizes(cards_a_task=12_000, cards_a_tray=2_500)

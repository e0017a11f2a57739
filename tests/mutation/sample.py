"""Put small faults into the code, one at a time, and see which of them the tests notice.

    python tests/mutation/sample.py --work DIR [--part layout] [--sample 60] [--seed 1]

For use in a clone of its own with an environment of its own: the file that holds the fault is
changed while its tests run, and put back. The first run of a part finds out which tests reach
which line (a coverage file in DIR); a fault is then shown to at most 120 of the tests that reach
it, those of its own rooms first. What came of each fault is added to DIR/results.jsonl, so that a
run that was ended goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import coverage
import numpy as np
import polars as pl
import pydantic
import pytest
import rich.console
import structlog
from mutants import count, mutant

# what every test loads, loaded once; nothing of ours, since that is what changes, and nothing
# in which pytest changes assertions
LOADED = (np, pl, pydantic, rich.console, structlog)
ROOT = Path(__file__).parents[2]
CODE = ROOT / "pipeline" / "deckwright"
UNITS = ("tests/unit", "tests/identify", "tests/jobs", "tests/report")
WHOLE = ("tests/engine", "tests/journal", "tests/cli", "tests/plugins")
TOLD = ("tests/journal", "tests/cli", "tests/docs", "tests/engine", "tests/plugins", *UNITS)
KEPT = (
    "tests/service/test_spool_steps.py",
    "tests/service/test_recovery.py",
    "tests/service/test_ledger.py",
    "tests/service/test_ends.py",
    "tests/service/test_open_ends.py",
    "tests/service/test_taking.py",
    "tests/service/test_acknowledging.py",
    "tests/service/test_retries.py",
    "tests/service/test_generations.py",
    "tests/service/test_lanes.py",
    "tests/service/test_starting.py",
    "tests/service/test_delivery.py",
    "tests/service/test_model.py",
    "tests/service/test_ledger_states.py",
    "tests/service/test_service_archive.py",
    "tests/service/test_flushing.py",
    "tests/service/test_power_cut.py",
)
PARTS: dict[str, tuple[str, tuple[str, ...]]] = {
    "cards": ("cards/**/*.py", ("tests/cards", "tests/layout", *UNITS, *WHOLE)),
    "layout": ("layout/**/*.py", ("tests/layout", "tests/cards", *UNITS, *WHOLE)),
    "engine": ("engine/**/*.py", (*WHOLE, "tests/layout", "tests/cards", *UNITS)),
    "journal": ("journal/**/*.py", TOLD),
    "spool": ("service/store/spool.py", KEPT),
    "ledger": ("service/store/ledger.py", KEPT),
    "recovery": ("service/recovery.py", KEPT),
}
"""Of each part its modules and the places of its tests, its own first."""

MOST_TESTS, AT_A_TIME = 120, 40
CPU_S, WALL_S = 90, 900


def chosen(part: str, size: int, seed: int) -> list[tuple[Path, int]]:
    """Return a sample of the faults of a part: module and number."""
    modules = sorted(CODE.glob(PARTS[part][0]))
    every = [(path, number) for path in modules for number in range(count(path.read_text()))]
    print(f"{part}: {len(every)} faults, of which {min(size, len(every))} are tried", flush=True)
    random.Random(seed).shuffle(every)  # a larger sample begins with the smaller one
    return every[:size]


@cache
def reached(part: str, work: Path) -> coverage.CoverageData:
    """Return which test reaches which line; find out if nobody has yet."""
    name = work / f"reached-{'kept' if PARTS[part][1] is KEPT else 'rest'}"
    if not name.is_file():
        places = [place for place in PARTS[part][1] if (ROOT / place).exists()]
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:randomly"]
        # where tests are spread over processes, nothing tells which of them reached a line
        command += ["-n", "0", "--dist", "no"]
        command += ["--cov", "--cov-context=test", "--cov-report=", *places]
        subprocess.run(
            command, check=True, cwd=ROOT, env={**os.environ, "COVERAGE_FILE": str(name)}
        )
    data = coverage.CoverageData(str(name))
    data.read()
    if not any("|" in name for name in data.measured_contexts()):
        raise SystemExit(f"{name} does not tell which test reaches a line")
    return data


def tests_of(data: coverage.CoverageData, path: Path, lines: range, part: str) -> list[str]:
    """Return the tests that a fault is shown to."""
    (measured,) = (
        each for each in data.measured_files() if each.endswith(str(path.relative_to(ROOT)))
    )
    by_line = data.contexts_by_lineno(measured)
    found = {name for line in lines for name in by_line.get(line, ())}
    tests = sorted({name.rpartition("|")[0] for name in found if "|" in name})
    if not tests:  # reached while the module was loaded
        every = {name for names in by_line.values() for name in names if "|" in name}
        tests = sorted({name.rpartition("|")[0] for name in every})
    random.Random(0).shuffle(tests)
    places = PARTS[part][1]
    near = {place: number for number, place in enumerate(places)}
    return sorted(
        tests,
        key=lambda test: next((near[place] for place in places if test.startswith(place)), 99),
    )[:MOST_TESTS]


def outcome(tests: list[str], said: Path) -> str:
    """Run tests in a process of their own; return `killed`, `survived` or `not reached`."""
    if not tests:
        return "not reached"
    child = os.fork()
    if not child:
        _run(tests, said)
    end = time.monotonic() + WALL_S
    while not (status := os.waitpid(child, os.WNOHANG))[0]:
        if time.monotonic() > end:
            os.killpg(child, signal.SIGKILL)
        time.sleep(0.02)
    code = os.waitstatus_to_exitcode(status[1])
    if code == pytest.ExitCode.USAGE_ERROR and "not found:" in said.read_text():
        raise SystemExit(f"the tests have changed since DIR was made, see {said}")
    return "survived" if code == pytest.ExitCode.OK else "killed"


def _run(tests: list[str], said: Path) -> None:
    os.setsid()
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 5))
    out = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(out, 1)
    os.dup2(out, 2)
    options = ["-x", "-q", "-n", "0", "-p", "no:randomly", "-p", "no:cacheprovider", "--tb=short"]
    code = 99
    try:
        code = pytest.main([*options, "--hypothesis-seed=1", *tests])
    except BaseException:  # noqa: BLE001 # shown; it must not run on as a second one of its parent
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def tried(path: Path, number: int, part: str, work: Path, *, sound: bool) -> dict[str, object]:
    """Put one fault in, run its tests, take it out again; return what came of it.

    sound: run the tests without the fault before, which they must pass.
    """
    source, times = path.read_text(encoding="utf-8"), path.stat()
    faulty, said = mutant(source, number), work / "said.txt"
    tests = tests_of(reached(part, work), path, faulty.lines, part)
    if sound and outcome(tests[:AT_A_TIME], said) == "killed":
        raise SystemExit(f"the tests fail without a fault, see {said}")
    try:
        path.write_text(faulty.source, encoding="utf-8")
        parts = [tests[i : i + AT_A_TIME] for i in range(0, max(1, len(tests)), AT_A_TIME)]
        came = next((c for each in parts if (c := outcome(each, said)) != "survived"), "survived")
    finally:
        path.write_text(source, encoding="utf-8")
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    where = f"{path.relative_to(ROOT)}:{faulty.lines[0]}"
    return {
        "part": part, "where": where, "number": number, "what": faulty.what,
        "came": came, "tests": len(tests),
    }  # fmt: skip


def results(work: Path) -> Iterator[dict[str, object]]:
    """Return what came of every fault so far."""
    path = work / "results.jsonl"
    if path.is_file():
        yield from map(json.loads, path.read_text().splitlines())


def main() -> None:
    """Try a sample of each part; print the faults that nobody noticed, and the share noticed."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--work", type=Path, required=True)
    asked.add_argument("--part", action="append", choices=PARTS)
    asked.add_argument("--sample", type=int, default=60)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    given.work.mkdir(parents=True, exist_ok=True)
    os.chdir(ROOT)
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.dont_write_bytecode = True
    for part in given.part or PARTS:
        known = {(each["where"].split(":")[0], each["number"]) for each in results(given.work)}
        for place, (path, number) in enumerate(chosen(part, given.sample, given.seed)):
            if (str(path.relative_to(ROOT)), number) in known:
                continue
            came = tried(path, number, part, given.work, sound=place % 20 == 0)
            with (given.work / "results.jsonl").open("a") as file:
                file.write(json.dumps(came) + "\n")
            if came["came"] != "killed":
                print(f"{came['came']:<12} {came['where']}  {came['what']}", flush=True)
        found = [each["came"] for each in results(given.work) if each["part"] == part]
        print(f"{part}: {found.count('killed')} of {len(found)} noticed", flush=True)


if __name__ == "__main__":
    main()

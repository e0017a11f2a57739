"""Measure the reference chain beside the same work written by hand in SQL, and beside sort(1).

    python tests/benchmark/compare.py --cards 1e6 --repeat 5 --work /some/folder/with/room

Every command runs as a process of its own, in turn, on the same files; medians and ratios are
printed, and the CSVs are compared row by row. Needs duckdb in this Python's environment, GNU sort
and, for peak memory of all processes together, /proc.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

import polars as pl

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
JOB = ROOT / "config" / "jobs" / "reference.toml"
BIN = Path(sys.executable).parent
PAGE = os.sysconf("SC_PAGE_SIZE")


def tree_memory(pid: int) -> int:
    """Return resident bytes of a process and all below it; shared pages count in each."""
    total = 0
    try:
        total += int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                total += tree_memory(int(child))
    except OSError:
        pass
    return total


def timed(command: list[str], env: dict[str, str] | None = None) -> tuple[float, int]:
    """Run a command; return wall seconds and peak memory of all its processes together."""
    start = time.perf_counter()
    process = subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    peak = 0
    while process.poll() is None:
        peak = max(peak, tree_memory(process.pid))
        time.sleep(0.02)
    seconds = time.perf_counter() - start
    assert process.stderr is not None
    if process.returncode:
        sys.exit(f"{command[0]} failed: {process.stderr.read().decode()}")
    return seconds, peak


def clear(path: Path) -> None:
    """Remove what the run before has left."""
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def same_rows(ours: Path, theirs: Path) -> bool:
    """Compare two deliveries: the same columns and rows in the same order, numbers by value."""
    kinds = {
        "station": pl.String,
        "code": pl.String,
        "lat": pl.String,
        "lon": pl.String,
        "mm": pl.Float64,
    }
    left = pl.read_csv(ours, schema_overrides=kinds)
    right = pl.read_csv(theirs, schema_overrides=kinds)
    return left.equals(right)


def main() -> None:
    """Run the comparison."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cards", type=float, default=1e6)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--only", nargs="*", choices=["deckwright", "duckdb", "sort"])
    options = parser.parse_args()
    work: Path = options.work
    work.mkdir(parents=True, exist_ok=True)
    count = int(options.cards)
    deck, master, lines = work / f"{count}.dck", work / "stations.csv", work / f"{count}.txt"
    generator = [sys.executable, str(HERE / "gen_deck.py"), "--cards", str(count)]
    if not deck.exists():
        subprocess.run(
            [*generator, "--encoding", "cp037", "--out", str(deck), "--master", str(master)],
            check=True,
        )
    if not lines.exists():
        subprocess.run([*generator, "--encoding", "ascii", "--out", str(lines)], check=True)
    outs = {name: work / f"out-{name}" for name in ("deckwright", "duckdb", "sort")}
    ours = [str(BIN / "deckwright"), "run", str(JOB), str(deck), "--out", str(outs["deckwright"])]
    sql = [sys.executable, str(HERE / "baseline_duckdb.py"), "--deck", str(deck)]
    sort = ["sort", "--parallel=2", "-S", "512M", "-T", str(work), "-s"]
    commands = {
        "deckwright": [*ours, "--workers", "2", "--with", f"stations={master}"],
        "duckdb": [*sql, "--master", str(master), "--out", str(outs["duckdb"])],
        "sort": [*sort, "-k1.2,1.9", "-k1.10,1.17", str(lines), "-o", str(outs["sort"])],
    }
    chosen = options.only or list(commands)
    taken: dict[str, list[tuple[float, int]]] = {name: [] for name in chosen}
    for _ in range(options.repeat):
        for name in chosen:
            clear(outs[name])
            taken[name].append(timed(commands[name], {**os.environ, "LC_ALL": "C"}))
    medians = {name: statistics.median(t for t, _ in runs) for name, runs in taken.items()}
    print(f"{count:,} cards, {options.repeat} runs each in turn, {os.cpu_count()} cores")
    for name, runs in taken.items():
        ratio = medians[name] / medians["deckwright"] if "deckwright" in medians else 1.0
        seconds = " ".join(f"{t:.2f}" for t, _ in runs)
        peak = max(memory for _, memory in runs) / 2**20
        print(
            f"  {name:<11} median {medians[name]:7.2f} s  ({seconds})  {ratio:5.2f} x deckwright"
            f"  peak {peak:6.0f} MiB"
        )
    if "deckwright" in chosen:
        run = outs["deckwright"]
        journal = sum(path.stat().st_size for path in (run / "journal").iterdir())
        print(f"  journal {journal / count:.1f} bytes a card")
        print(f"  control {json.loads((run / 'control.json').read_text())['equation']}")
        if "duckdb" in chosen:
            same = same_rows(run / "out" / "stations.csv", outs["duckdb"] / "out.csv")
            print(f"  CSV has the same columns, rows and order as the SQL's: {same}")


if __name__ == "__main__":
    main()

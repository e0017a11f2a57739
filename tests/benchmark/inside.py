"""Measure what a run is made of: the journal's share, `trace`, and a deck of 500 cards.

    python tests/benchmark/inside.py --work /the/folder/that/compare.py/used

Runs the reference chain on the deck of 1,000,000 cards in this one process, so that the shares are
of processor time and not of waiting.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from deckwright.engine.passes import worker
from deckwright.engine.run import run_job
from deckwright.journal.reader import Journal
from deckwright.journal.segment import Segment
from deckwright.journal.trace import trace

HERE = Path(__file__).resolve().parent
JOB = HERE.parent.parent / "config" / "jobs" / "reference.toml"
BIN = Path(sys.executable).parent
CARDS = 1_000_000


class Clock:
    """Adds up the time inside some functions."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def around(self, function: Callable[..., object]) -> Callable[..., object]:
        """Return the function, timed."""

        def timed(*args: object, **kwargs: object) -> object:
            start = time.perf_counter()
            try:
                return function(*args, **kwargs)
            finally:
                self.seconds += time.perf_counter() - start

        return timed


def journal_share(work: Path) -> None:
    """Print which share of a run goes into the journal."""
    clock = Clock()
    worker.note_changes = clock.around(worker.note_changes)  # type: ignore[assignment] # timed
    Segment.write = clock.around(Segment.write)  # type: ignore[method-assign,assignment] # timed
    out = work / "out-inside"
    shutil.rmtree(out, ignore_errors=True)
    start = time.perf_counter()
    master = {"stations": str(work / "stations.csv")}
    run_job(JOB, [work / f"{CARDS}.dck"], out, workers=1, replaced=master)
    total = time.perf_counter() - start
    print(
        f"journal: {clock.seconds:.2f} s of {total:.2f} s, {clock.seconds / total:.0%} of the run"
    )


def trace_time(run: Path, cards: int) -> None:
    """Print how long `trace` takes for cards here and there, first and median."""
    taken = []
    for place in range(21):
        card = 1 + place * (cards - 1) // 20
        start = time.perf_counter()
        trace(Journal(run), card)
        taken.append((time.perf_counter() - start) * 1000)
    first, middle = taken[0], statistics.median(taken[1:])
    print(f"trace in {run.name} of {cards:,} cards: first {first:.0f} ms, median {middle:.0f} ms")
    command = [str(BIN / "deckwright"), "trace", str(run), str(cards // 2)]
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    print(f"  as a command, start of the program included: {time.perf_counter() - start:.2f} s")


def small_deck(work: Path) -> None:
    """Print what 500 cards take from start to finish, and how much of it is loading."""
    deck = work / "500.dck"
    with (work / f"{CARDS}.dck").open("rb") as source:
        deck.write_bytes(source.read(500 * 80))
    whole, loading = [], []
    for _ in range(5):
        out = work / "out-500"
        shutil.rmtree(out, ignore_errors=True)
        start = time.perf_counter()
        subprocess.run(
            [str(BIN / "deckwright"), "run", str(JOB), str(deck), "--out", str(out),
             "--with", f"stations={work / 'stations.csv'}"],
            check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        whole.append(time.perf_counter() - start)
        start = time.perf_counter()
        loads = "import deckwright.engine.run, deckwright.cli.shared.show"
        environment = {**os.environ, "POLARS_MAX_THREADS": "1"}
        subprocess.run([sys.executable, "-c", loads], check=True, env=environment)
        loading.append(time.perf_counter() - start)
    print(
        f"500 cards: median {statistics.median(whole):.2f} s, of which loading Python and "
        f"libraries {statistics.median(loading):.2f} s",
    )


def main() -> None:
    """Run the measurements."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--run", type=Path, help="a run folder to trace cards in")
    parser.add_argument("--cards", type=int, default=CARDS, help="cards of that run")
    options = parser.parse_args()
    small_deck(options.work)
    journal_share(options.work)
    trace_time(options.run or options.work / "out-inside", options.cards)


if __name__ == "__main__":
    main()

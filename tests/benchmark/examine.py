"""Measure `deckwright examine` on decks of many cards: times, and peak memory of all processes.

    python tests/benchmark/examine.py --work /some/folder --cards 1000000 10000000

Decks are made by gen_deck.py where they are not there yet: EBCDIC, 80 bytes a card. The memory is
the sum of proportional shares of all processes, looked at 20 times a second. The time of the
processor is that of all processes, and tells less of what else the machine does.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
COMMAND = [sys.executable, "-c", "from deckwright.cli.main import main; main()"]
MIB = 2**20


def deck_of(work: Path, cards: int) -> Path:
    """Return a deck of so many cards, made when it is not there."""
    deck = work / f"{cards}.dck"
    if not deck.exists():
        maker = [sys.executable, str(HERE / "gen_deck.py"), "--cards", str(cards)]
        maker += ["--out", str(deck)]
        subprocess.run(maker, check=True, stdout=subprocess.DEVNULL)
    return deck


def measured(deck: Path, page: Path) -> tuple[float, float, float]:
    """Return seconds, seconds of the processor, and peak MiB of one examination with its page."""
    start, before = time.perf_counter(), processor()
    command = [*COMMAND, "examine", str(deck), "--brief", "--html", str(page)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak = 0
    while process.poll() is None:
        peak = max(peak, sum(map(proportional, family(process.pid))))
        time.sleep(0.05)
    if process.returncode:
        raise SystemExit(f"examine ended with {process.returncode}")
    return time.perf_counter() - start, processor() - before, peak / MIB


def processor() -> float:
    """Return the seconds of the processor of all processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def family(pid: int) -> list[int]:
    """Return a process and its children."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            for child in task.read_text().split():
                found += family(int(child))
        except OSError:
            continue
    return found


def proportional(pid: int) -> int:
    """Return the proportional share of memory of a process in bytes."""
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    except OSError:
        return 0
    lines = [line for line in text.splitlines() if line.startswith("Pss:")]
    return int(lines[0].split()[1]) * 1024 if lines else 0


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--cards", type=int, nargs="+", default=[1_000_000, 10_000_000])
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    for cards in options.cards:
        deck = deck_of(options.work, cards)
        runs = [measured(deck, options.work / "page.html") for _ in range(options.repeat)]
        seconds, processor_seconds = (
            statistics.median(run[place] for run in runs) for place in (0, 1)
        )
        print(
            f"{cards:,} cards: {seconds:.1f} s, {processor_seconds:.1f} s of the processor, "
            f"{max(run[2] for run in runs):.0f} MiB"
        )


if __name__ == "__main__":
    main()

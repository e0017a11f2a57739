"""Measure the service: many small decks at once, one on an idle service, one large among small.

    python tests/benchmark/service.py --work DIR many [--decks 10000] [--cards 50]
    python tests/benchmark/service.py --work DIR idle [--repeat 10]
    python tests/benchmark/service.py --work DIR mixed [--large 1000000] [--small 200]
    python tests/benchmark/service.py --work DIR soak [--minutes 30] [--kills] [--figure FILE]

Each makes a workspace of its own below DIR, starts `deckwright watch` with two workers and ends it.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from soak_figure import draw

WATCH = "from deckwright.cli.main import main; main()"
SETTLE_S = 0.5
FIGURE = Path(__file__).parent / "figures" / "soak.png"
BEGUN = time.monotonic()
SAMPLES: list[dict[str, float]] = []
"""What the service held at each look of a soak."""


ITEMS = ("2041154", "1002007", "1003100", "3300188")
"""Items of the invented depot, check digits and all."""


def cards(count: int, seed: int) -> bytes:
    """Return sound movement cards for the first job; another seed gives another deck."""
    dice = random.Random(seed)
    lines = [
        f"{dice.choice(ITEMS)}R{dice.randrange(1, 29):02}0657{dice.randrange(1, 99_999):05}"
        f"{dice.randrange(1, 9_999_999):07}\n"
        for _ in range(count)
    ]
    return "".join(lines).encode("ascii")


def deckwright(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WATCH, *map(str, arguments)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip


def workspace(work: Path, name: str) -> Path:
    root = work / name
    shutil.rmtree(root, ignore_errors=True)
    deckwright("init", root)
    service = root / "config" / "service.toml"
    text = service.read_text(encoding="utf-8")
    service.write_text(f"settle_s = {SETTLE_S}\n{text}", encoding="utf-8")
    return root


class Memory(threading.Thread):
    """Watches the resident size of the service and of its workers."""

    def __init__(self, process: int) -> None:
        super().__init__(daemon=True)
        self.process, self.own, self.workers, self.first = process, 0, 0, 0
        self.stopped = threading.Event()

    def run(self) -> None:
        while not self.stopped.wait(0.2):
            sizes = dict(self._sizes())
            own = sizes.pop(self.process, 0)
            self.first = self.first or own
            self.own = max(self.own, own)
            self.workers = max([self.workers, *sizes.values()])

    def spent(self) -> dict[int, float]:
        """Return the processor seconds of the service and of each worker so far."""
        found = {}
        for pid in dict(self._sizes()):
            with suppress(OSError):
                facts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
                found[pid] = (int(facts[11]) + int(facts[12])) / os.sysconf("SC_CLK_TCK")
        return found

    def _sizes(self) -> Iterator[tuple[int, int]]:
        for status in Path("/proc").glob("[0-9]*/status"):
            try:
                facts = dict(
                    line.split(":", 1) for line in status.read_text().splitlines() if ":" in line
                )
            except OSError:
                continue
            pid = int(status.parent.name)
            if pid == self.process or int(facts["PPid"]) == self.process:
                yield pid, int(facts.get("VmRSS", "0").split()[0]) // 1024


@contextmanager
def service(root: Path) -> Iterator[tuple[subprocess.Popen[str], Memory]]:
    log = (root.parent / f"{root.name}.log").open("w")
    process = subprocess.Popen(
        [sys.executable, "-c", WATCH, "watch", str(root)],
        stdout=log, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    memory = Memory(process.pid)
    try:
        wait_for(lambda: "service_ready" in (root.parent / f"{root.name}.log").read_text(), 60)
        time.sleep(2)
        memory.start()
        yield process, memory
    finally:
        memory.stopped.set()
        process.send_signal(signal.SIGTERM)
        process.wait(60)
        log.close()


def wait_for(true: Callable[[], bool], seconds: float) -> None:
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            raise SystemExit("took too long")
        time.sleep(0.01)


def count(folder: Path) -> int:
    return sum(1 for _ in os.scandir(folder))


def ended_at(root: Path) -> dict[str, float]:
    """Return deck name to seconds since the epoch at which the log says that its run was done."""
    found = {}
    for line in (root.parent / f"{root.name}.log").read_text().splitlines():
        event = json.loads(line)
        if event["event"] == "run_done":
            found[event["deck"]] = datetime.fromisoformat(event["time"]).timestamp()
    return found


def processor_time(root: Path) -> None:
    own = os.times()
    user, system = own.children_user, own.children_system
    print(f"processor time of all: user {user:.1f} s, system {system:.1f} s")


def many(work: Path, decks: int, a_deck: int) -> None:
    root = workspace(work, "many")
    aside = root / "aside"
    aside.mkdir()
    for number in range(decks):
        (aside / f"deck-{number:05}.txt").write_bytes(cards(a_deck, number))
    with service(root) as (_, memory):
        before = memory.spent()
        begin = time.monotonic()
        for path in sorted(aside.iterdir()):
            path.rename(root / "inbox" / "first" / path.name)
        dropped = time.monotonic()
        wait_for(lambda: count(root / "done") + count(root / "returned") == decks, 3600)
        end = time.monotonic()
        spent = {pid: s - before.get(pid, 0.0) for pid, s in memory.spent().items()}
        time.sleep(1.5)
        own = spent.pop(memory.process, 0.0)
        print(
            f"processor time a deck: service {1000 * own / decks:.1f} ms, processes below it"
            f" {1000 * sum(spent.values()) / decks:.1f} ms"
        )
        print(
            f"{decks} decks of {a_deck} cards: {end - begin:.1f} s from the first drop,"
            f" {decks / (end - dropped):.1f} decks a second; done {count(root / 'done')},"
            f" returned {count(root / 'returned')}"
        )
        print(
            f"memory of the service: {memory.first} MiB at first, {memory.own} MiB at most;"
            f" largest worker {memory.workers} MiB"
        )
    processor_time(root)


def idle(work: Path, repeat: int) -> None:
    root = workspace(work, "idle")
    times = []
    with service(root):
        for number in range(repeat):
            path = root / "inbox" / f".deck-{number}"
            path.write_bytes(cards(500, number))
            before = count(root / "done")
            begin = time.monotonic()
            path.rename(root / "inbox" / "first" / f"deck-{number}.txt")
            wait_for(lambda wanted=before: count(root / "done") > wanted, 60)
            times.append(time.monotonic() - begin - SETTLE_S)
            time.sleep(0.5)
    print(
        f"500 cards on an idle service, after settling ({SETTLE_S} s): median"
        f" {statistics.median(times):.2f} s, longest {max(times):.2f} s"
    )


def mixed(work: Path, large: int, small: int) -> None:
    p95 = []
    for name, size in (("small-alone", 0), ("small-and-large", large)):
        root = workspace(work, name)
        with service(root):
            if size:
                path = root / ".large"
                path.write_bytes(cards(size, 1))
                path.rename(root / "inbox" / "first" / "large.txt")
            begin = time.time()
            for number in range(small):
                path = root / f".small-{number}"
                path.write_bytes(cards(50, number))
                path.rename(root / "inbox" / "first" / f"small-{number}.txt")
            all_of = small + bool(size)
            wait_for(lambda home=root, wanted=all_of: count(home / "done") == wanted, 600)
        ends = ended_at(root)
        times = sorted(end - begin for deck, end in ends.items() if deck.startswith("small"))
        p95.append(times[int(len(times) * 0.95)])
        more = f", large one {ends['large.txt'] - begin:.1f} s" if size else ""
        middle = statistics.median(times)
        print(f"{name}: median {middle:.2f} s, 95th percentile {p95[-1]:.2f} s{more}")
    print(f"95th percentile with the large deck: {p95[1] / p95[0]:.2f} times that without")


def soak(work: Path, minutes: float, *, kills: bool, figure: Path) -> None:
    """Drop decks of all kinds for a while, with reloads, holds and, if asked for, kills.

    Every deck dropped must have ended in the end; without kills the service must hold no more
    descriptors and threads at the end than at first, and its memory must stay as it was. What it
    held is drawn as a picture. It ends by itself some minutes after the time.
    """
    SAMPLES.clear()
    root = workspace(work, "soak")
    dice, dropped = random.Random(1), 0
    end = time.monotonic() + 60 * minutes
    while (left := end - time.monotonic()) > 0:
        with service(root) as (process, _):
            some = min(left, dice.uniform(5, 30)) if kills else left
            dropped = trouble(root, process, dice, time.monotonic() + some, dropped)
            if kills:
                process.kill()
                process.wait()
            else:
                all_end(root, dropped)
                time.sleep(15)  # until nothing is under way any more
                look(root, process, dropped)
    with service(root):
        all_end(root, dropped)
    draw(SAMPLES, figure)
    print(f"drawn in {figure}")
    print(f"{dropped} dropped, {count(root / 'done')} done, {count(root / 'returned')} returned")


def trouble(
    root: Path, process: subprocess.Popen[str], dice: random.Random, until: float, dropped: int
) -> int:
    """Drop decks until some time, and keep the service busy; return how many were dropped ever."""
    beat = 0
    while time.monotonic() < until:
        for _ in range(dice.randrange(8)):
            dropped += 1
            put(root, dropped, dice)
        beat += 1
        time.sleep(0.25)
        if beat % 80 == 0:
            process.send_signal(signal.SIGHUP)
        if beat % 60 in {0, 30}:
            deckwright("hold" if beat % 60 else "resume", root, "first")
        if beat % 40 == 0:
            look(root, process, dropped)
    return dropped


def all_end(root: Path, dropped: int) -> None:
    deckwright("resume", root, "first")
    wait_for(lambda: ended(root) == dropped, 600)


def look(root: Path, process: subprocess.Popen[str], dropped: int) -> None:
    """Print how far it is, and what the service holds: memory, descriptors, threads."""
    pid = process.pid
    status = Path(f"/proc/{pid}/status").read_text()
    facts = dict(line.split(":", 1) for line in status.splitlines() if ":" in line)
    open_files, done = count(Path(f"/proc/{pid}/fd")), ended(root)
    SAMPLES.append({
        "seconds": time.monotonic() - BEGUN,
        "MiB": int(facts["VmRSS"].split()[0]) / 1024,
        "descriptors": open_files,
        "threads": int(facts["Threads"]),
        "waiting": dropped - done,
    })  # fmt: skip
    print(
        f"{dropped:6} dropped, {done:6} ended; {facts['VmRSS'].split()[0]} KiB resident,"
        f" {open_files} descriptors, {facts['Threads'].strip()} threads",
        flush=True,
    )


def put(root: Path, number: int, dice: random.Random) -> None:
    """Drop a deck: four of five are sound, the others have faulty cards or cannot be read."""
    data = cards(dice.randrange(1, 400), number)
    if number % 5 == 0:
        data = data.replace(b"0657", b"06S7") if number % 10 else data[:-5] + b"\xff\xfe\x00"
    aside = root / "inbox" / f".deck-{number}"
    aside.write_bytes(data)
    aside.rename(root / "inbox" / "first" / f"deck-{number}.txt")


def ended(root: Path) -> int:
    return count(root / "done") + count(root / "returned")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    which = parser.add_subparsers(dest="which", required=True)
    one = which.add_parser("many")
    one.add_argument("--decks", type=int, default=10_000)
    one.add_argument("--cards", type=int, default=50)
    two = which.add_parser("idle")
    two.add_argument("--repeat", type=int, default=10)
    three = which.add_parser("mixed")
    three.add_argument("--large", type=int, default=1_000_000)
    three.add_argument("--small", type=int, default=200)
    four = which.add_parser("soak")
    four.add_argument("--minutes", type=float, default=30)
    four.add_argument("--figure", type=Path, default=FIGURE)
    four.add_argument("--kills", action="store_true")
    given = parser.parse_args()
    given.work.mkdir(parents=True, exist_ok=True)
    if given.which == "many":
        many(given.work, given.decks, given.cards)
    elif given.which == "idle":
        idle(given.work, given.repeat)
    elif given.which == "soak":
        soak(given.work, given.minutes, kills=given.kills, figure=given.figure)
    else:
        mixed(given.work, given.large, given.small)


if __name__ == "__main__":
    main()

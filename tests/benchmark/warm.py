"""Measure what a small deck costs a warm worker: processor time a deck, in this one process.

    python tests/benchmark/warm.py --work DIR [--decks 200] [--cards 50] [--profile]

Each deck is run as a worker runs it, with the first job of a new workspace, all files flushed.
To compare two states of the program, run them by turns with PYTHONPATH at `pipeline` and `plugins`
of the one and the other. The first 20 decks are not counted.
"""

from __future__ import annotations

import argparse
import cProfile
import hashlib
import os
import pstats
import shutil
import time
from pathlib import Path

from deckwright.service.config.compile import compile_jobs
from deckwright.service.system.fs import Fs
from deckwright.service.system.places import Workspace
from deckwright.service.workers.messages import Ended, Progress, RunOrder
from deckwright.service.workers.running import Runner
from service import cards, workspace

WARMING = 20


def orders(root: Path, decks: int, a_deck: int) -> list[RunOrder]:
    """Return orders for decks that lie in the workspace as taken ones do."""
    job = compile_jobs(Workspace(root), 60).jobs["first"]
    used = root / "config" / "used"
    used.mkdir(exist_ok=True)
    snapshot = used / f"{job.sha256}.json"
    snapshot.write_bytes(job.snapshot)
    found = []
    for number in range(decks):
        data = cards(a_deck, number)
        run = f"{hashlib.sha256(data).hexdigest()[:16]}-{number % 2**24:06x}-1"
        home = root / "work" / run
        home.mkdir()
        (home / "deck").write_bytes(data)
        name = f"deck-{number:05}.txt"
        found.append(
            RunOrder(run=run, folder=str(home), out="out.1", deck_name=name, snapshot=str(snapshot))
        )
    return found


def must_be_done(message: Progress | Ended) -> None:
    """Take what a run says; end where one was not done."""
    if isinstance(message, Ended) and message.outcome != "done":
        raise SystemExit(message.sentence)


def main() -> None:
    """Run the measurement."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--decks", type=int, default=200)
    parser.add_argument("--cards", type=int, default=50)
    parser.add_argument("--profile", action="store_true", help="print where the time goes")
    given = parser.parse_args()
    given.work.mkdir(parents=True, exist_ok=True)
    os.environ["POLARS_MAX_THREADS"] = "1"  # as in a worker
    root = workspace(given.work, "warm").absolute()
    runner = Runner(Fs(), root / "tmp" / "warm")
    todo = orders(root, WARMING + given.decks, given.cards)
    for order in todo[:WARMING]:
        runner.run(order, must_be_done)
    profile = cProfile.Profile(time.process_time)
    before = os.times()
    if given.profile:
        profile.enable()
    for order in todo[WARMING:]:
        runner.run(order, must_be_done)
    profile.disable()
    after = os.times()
    user, system = after.user - before.user, after.system - before.system
    print(
        f"{given.decks} decks of {given.cards} cards: {1000 * (user + system) / given.decks:.2f} ms"
        f" a deck (user {1000 * user / given.decks:.2f}, system"
        f" {1000 * system / given.decks:.2f})"
    )
    if given.profile:
        statistics = pstats.Stats(profile).strip_dirs()
        statistics.sort_stats("tottime").print_stats(60)
        statistics.sort_stats("cumtime").print_stats(120)
    shutil.rmtree(root)


if __name__ == "__main__":
    main()

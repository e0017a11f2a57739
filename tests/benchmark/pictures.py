"""Read simulated card pictures in all conditions and compare with the truth.

    python tests/benchmark/pictures.py --cards 20000 --ppi 200 300 --workers 2 --out build/pictures
    python tests/benchmark/pictures.py --sweep 40 --ppi 200 --workers 2 --out build/pictures

The first prints for each condition the silent column errors (a column decided that differs from
the truth, on a card not marked as bad), the share of columns that are unsure, of cards that go to a
person, and cards a second of one core; and writes `calibration.png` and `figures.json`. The second
writes `error-against-damage.png`: where reading begins to fail.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import time
from collections import Counter, defaultdict
from pathlib import Path

import cv2
import numpy as np
from decks_of_pictures import deck
from drawn_figures import draw_calibration, draw_sweep

from deckwright.cards.holes import spread_rows
from deckwright.pictures.reader.reading import read_card
from deckwright.pictures.simulator.simulate import CONDITIONS, simulate_card

SWEPT = (
    "skew",
    "perspective",
    "bow",
    "light",
    "blur",
    "jpeg",
    "noise",
    "grain",
    "shadow",
    "digits",
    "pencil",
    "stain",
    "off centre",
)
STRENGTHS = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
BINS = 24  # of the logit of the probability, from -12 to 12


def read_some(task):
    """Return the counts of cards numbered first to last, for one resolution."""
    first, last, ppi, seed, plan = task
    cv2.setNumThreads(1)
    patterns, texts = deck(last - first, (seed * 7919 + first) % 2**31)
    counts = defaultdict(Counter)
    bins = np.zeros((2, BINS))
    for number in range(first, last):
        condition, strengths = plan[number % len(plan)]
        # so that every condition meets every kind of card
        place = (number - first + number // len(plan)) % (last - first)
        card = simulate_card(
            patterns[place], condition, text=texts[place], ppi=ppi,
            seed=(seed, number, int(ppi)), strengths=strengths or None,
        )  # fmt: skip
        start = time.process_time()
        reading = read_card(card.image, backs="read")
        spent = time.process_time() - start
        key = condition if not strengths else str(*strengths.items())
        count(counts[key], card, reading, spent)
        if not reading.bad:
            tally(bins, card, reading)
    return dict(counts), bins, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def count(counter, card, reading, spent):
    silent = (reading.patterns != card.patterns) & reading.decided
    counter["cards"] += 1
    counter["silent"] += int(silent.sum())
    counter["columns"] += len(card.patterns)
    counter["unsure"] += int(reading.unsure_columns.sum()) if not reading.bad else 0
    counter["person"] += int(reading.needs_person)
    counter["bad"] += int(reading.bad)
    counter["turned"] += int(reading.facts.turn != (card.turned or "upright").replace(
        "both", "back to front and upside down"))  # fmt: skip
    counter["seconds"] += spent
    for name in (reading.facts.kind, *reading.facts.damages):
        counter[f"named {name}"] += 1
    if silent.any():
        print("SILENT", card.condition, card.backing, card.damages, reading.facts, flush=True)


def tally(bins, card, reading):
    """Count the probabilities of all places by how they came out."""
    chance = np.clip(reading.probability.astype(np.float64), 1e-6, 1 - 1e-6)
    place = ((np.log(chance / (1 - chance)) + 12) / 24 * BINS).astype(int).clip(0, BINS - 1)
    holes = spread_rows(card.patterns).T
    bins[0] += np.bincount(place.ravel(), minlength=BINS)
    bins[1] += np.bincount(place.ravel(), weights=holes.ravel(), minlength=BINS)


def run(tasks, workers, minutes):
    """Return the summed counts, bins and the largest memory of a worker in MiB.

    What is not done after so many minutes is left out, and the counts say how many cards were.
    """
    end = time.monotonic() + 60 * minutes
    counts, bins, memory = defaultdict(Counter), np.zeros((2, BINS)), 0
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for part, some, most in pool.imap_unordered(read_some, tasks):
            for key, counter in part.items():
                counts[key].update(counter)
            bins += some
            memory = max(memory, most / 1024)
            if time.monotonic() > end:
                break
    return counts, bins, memory


def show(counts, memory):
    head = (
        "condition",
        "cards",
        "silent",
        "unsure col.",
        "to a person",
        "bad",
        "wrong way",
        "cards/s/core",
    )
    print(f"{head[0]:16}" + "".join(f"{name:>13}" for name in head[1:]))
    whole = Counter()
    for name, counter in counts.items():
        whole.update(counter)
        print(line(name, counter))
    print(line("all", whole))
    print(f"peak memory of a worker, the simulator included: {memory:.0f} MiB")


def line(name, counter):
    cards = counter["cards"]
    return (
        f"{name:16}{cards:13,}{counter['silent']:13}{counter['unsure'] / counter['columns']:13.4%}"
        f"{counter['person'] / cards:13.2%}{counter['bad'] / cards:13.2%}{counter['turned']:13}"
        f"{cards / counter['seconds']:13.1f}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cards", type=int, default=2000, help="for each resolution")
    parser.add_argument("--ppi", type=float, nargs="+", default=[200, 300])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=1e6, help="stop each resolution then")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first card")
    parser.add_argument("--conditions", nargs="+", default=list(CONDITIONS))
    parser.add_argument("--sweep", type=int, default=0, help="cards for each damage and strength")
    parser.add_argument("--out", type=Path, default=Path("build/pictures"))
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    if options.sweep:
        plan = [("clean", {name: at}) for name in SWEPT for at in STRENGTHS]
        cards = options.sweep * len(plan)
    else:
        plan = [(name, {}) for name in options.conditions]
        cards = options.cards
    last = options.first + cards
    for ppi in options.ppi:
        tasks = [
            (start, min(start + 48, last), ppi, options.seed, plan)
            for start in range(options.first, last, 48)
        ]
        counts, bins, memory = run(tasks, options.workers, options.minutes)
        print(f"\n{ppi:g} pixels an inch, seed {options.seed}, cards from {options.first}")
        show(counts, memory)
        name = f"{'sweep' if options.sweep else 'figures'}-{ppi:g}-{options.seed}-{options.first}"
        data = {"counts": {str(k): dict(v) for k, v in counts.items()}, "bins": bins.tolist()}
        data["memory"] = memory
        (options.out / f"{name}.json").write_text(json.dumps(data, indent=1), encoding="utf-8")
    if options.sweep:
        draw_sweep(options.out, SWEPT, STRENGTHS)
    else:
        draw_calibration(options.out, BINS)


if __name__ == "__main__":
    main()

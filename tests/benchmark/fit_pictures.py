"""Fit the logistic model of hole places on simulated cards.

    python tests/benchmark/fit_pictures.py --cards 400 --out model.json

The package keeps the file as `pictures/data/model.json`. The cards are worse than those to be read
(damages at up to 1.5 times their strength), so that the two kinds of place overlap and the
probabilities mean something. Other seeds than the benchmark's.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from decks_of_pictures import deck

from deckwright.cards.holes import spread_rows
from deckwright.pictures.reader.decide import clipped_features
from deckwright.pictures.reader.measure import FEATURES
from deckwright.pictures.reader.reading import places_seen
from deckwright.pictures.simulator.simulate import simulate_card

SEED = 90_001
HARD = ("blur", "noise", "jpeg", "light", "pencil", "stain", "off centre", "shadow", "grain")
DIGITS = 0.4  # share of cards on stock with printed digits


def gather(cards: int):
    """Return features (n, 7) and holes (n) of the places of many cards."""
    patterns, texts = deck(cards, SEED)
    chance = np.random.default_rng(SEED)
    rows, truth = [], []
    for number in range(cards):
        names = chance.choice(HARD, 3, replace=False)
        strengths = {str(name): float(chance.uniform(0.3, 1.5)) for name in names}
        if chance.random() < DIGITS:
            strengths["digits"] = float(chance.uniform(0, 1.2))
        card = simulate_card(
            patterns[number],
            "ordinary",
            text=texts[number],
            ppi=float(chance.choice([150, 200, 300])),
            seed=(SEED, number),
            strengths=strengths,
        )
        seen = places_seen(card.image)
        holes = spread_rows(card.patterns).T
        if seen is None or ((seen[..., 0] > 0.5) != holes).mean() > 0.02:
            continue  # not found, or its lattice is off: such a card is not decided place by place
        rows.append(clipped_features(seen).reshape(-1, len(FEATURES)))
        truth.append(holes.reshape(-1))
    return np.concatenate(rows), np.concatenate(truth), len(rows)


def fit(features, holes, ridge=3.0):
    """Return weights and constant by Newton's method, the weights held towards none."""
    design = np.column_stack([features, np.ones(len(features))])
    found = np.zeros(design.shape[1])
    hold = np.eye(len(found)) * ridge
    hold[-1, -1] = 0
    for _ in range(40):
        chance = 1 / (1 + np.exp(-np.clip(design @ found, -30, 30)))
        slope = design.T @ (chance - holes) + hold @ found
        bend = (design.T * (chance * (1 - chance))) @ design + hold + 1e-9 * np.eye(len(found))
        step = np.linalg.solve(bend, slope)
        found = found - step
        if np.abs(step).max() < 1e-6:
            break
    return found[:-1], found[-1]


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cards", type=int, default=600)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    features, holes, used = gather(options.cards)
    weights, constant = fit(features, holes)
    data = {
        "made": (
            f"tests/benchmark/fit_pictures.py --cards {options.cards}: logistic regression with "
            f"ridge 3 on {len(holes)} places of {used} simulated cards at 150, 200 and 300 pixels "
            f"an inch, each with three damages (and many with printed digits) at 0.3 to 1.5 of "
            f"their strength, seed {SEED}"
        ),
        "constant": round(float(constant), 4),
        "weights": {
            name: round(float(weight), 4) for name, weight in zip(FEATURES, weights, strict=True)
        },
    }
    options.out.write_text(json.dumps(data, indent=2) + "\n", encoding="utf-8")
    chance = 1 / (1 + np.exp(-(features @ weights + constant)))
    wrong = (chance > 0.5) != holes
    between = (chance > 0.01) & (chance < 0.99)
    print(json.dumps(data, indent=2))
    print(
        f"likelier reading wrong: {wrong.mean():.2e}; between the thresholds: {between.mean():.2e}"
    )


if __name__ == "__main__":
    main()

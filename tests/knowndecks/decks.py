"""Every deck by its seed, and which seeds belong to which half.

    python -m tests.knowndecks.decks 17 --out DIR

writes deck 17 and its truth, as JSON.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from . import oddities, science, surveys, trade, weather
from .amounts import Random
from .assembling import assemble
from .model import Deck, Field

FAMILIES = (
    *weather.FAMILIES,
    *trade.FAMILIES,
    *surveys.FAMILIES,
    *science.FAMILIES,
    *oddities.FAMILIES,
)
HALVES = {"calibration": 0, "reported": 1}


def seeds(half: str, count: int) -> range:
    """The first seeds of a half: calibration has the even ones, reported the odd ones."""
    return range(HALVES[half], 2 * count, 2)


def deck(seed: int, cards: int = 0) -> Deck:
    """The deck of a seed, the same bytes whenever it is made.

    Args:
        seed: From 0; two decks in a row are of one family, one for each half.
        cards: How many; left out, 30 to 20,000 as the seed says.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    family = FAMILIES[seed // 2 % len(FAMILIES)]
    size = _size(rng)
    draft = family(rng, cards or size)
    return assemble(seed, family.__name__, draft, rng)


def decks(half: str, count: int) -> Iterator[Deck]:
    """The first decks of a half, one after another."""
    return map(deck, seeds(half, count))


def _size(rng: Random) -> int:
    drawn = rng.random()
    low, high = (30, 1500) if drawn < 0.8 else (1500, 5000) if drawn < 0.96 else (5000, 20000)
    return int(np.exp(rng.uniform(np.log(low), np.log(high))))


def described(made: Deck) -> dict[str, object]:
    """The truth of a deck, as it is written to a file."""
    truth = made.truth
    return {
        "seed": made.seed,
        "family": made.family,
        "medium": dict(truth.medium),
        "code": truth.code,
        "record_length": truth.record_length,
        "cards": len(made.text),
        "type_columns": truth.type_columns,
        "faulty_cards": [card + 1 for card in truth.faulty],
        "types": [
            {
                "name": one.name,
                "role": one.role,
                "mark": one.mark,
                "cards": len(one.cards),
                "fields": [_field(field) for field in one.fields],
            }
            for one in truth.types
        ],
    }


def _field(field: Field) -> dict[str, object]:
    form = field.form
    return {
        "name": field.name,
        "columns": f"{field.first}-{field.last}",
        "kind": form.kind,
        "form": form.form,
        "sign": form.sign,
        "fill": form.fill,
        "justify": form.justify,
        "decimals": form.decimals,
        "check": form.check,
    }


def main() -> None:
    """Write decks with their truths into a folder."""
    parser = argparse.ArgumentParser(description="Write decks with known layouts.")
    parser.add_argument("seeds", type=int, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    for seed in asked.seeds:
        made = deck(seed)
        (asked.out / f"deck-{seed}{made.suffix}").write_bytes(made.data)
        truth = json.dumps(described(made), indent=1)
        (asked.out / f"deck-{seed}.json").write_text(truth + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

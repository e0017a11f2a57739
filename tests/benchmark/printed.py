"""Measure the second opinion of printed lines: agreement, false doubts, wrong holes doubted.

Cards of random text in three prints: the package's own font, and the second renderer's, at 200 and
300 pixels an inch. Run: `PYTHONPATH=tests python -m benchmark.printed --cards 300`.
"""

from __future__ import annotations

import argparse
import resource
from collections import Counter
from dataclasses import replace

import numpy as np

from deckwright.cards.codes import load_code
from deckwright.pictures.printed import recogniser
from deckwright.pictures.printed.lookalikes import BLANK, alike
from deckwright.pictures.printed.printed import compare_print
from deckwright.pictures.reader.reading import read_card
from deckwright.pictures.simulator.simulate import simulate_card
from pictures import other_renderer

CODE = load_code("ascii-card")
KINDS = (
    "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789    -./,&",
    "0123456789 ",
    "ABCDEFGHIJKLMNOPQRSTUVWXYZ  ",
)


def counts_of(cards: int, seed: int = 41) -> Counter[str]:
    """Return what was counted over so many cards, every second one by the second renderer."""
    counts: Counter[str] = Counter()
    for number in range(cards):
        chance = np.random.default_rng((seed, number))
        text = "".join(chance.choice(list(KINDS[number // 2 % 3]), 80))
        holes = np.array([CODE.to_holes[ord(character)] for character in text], np.uint16)
        image = _picture(holes, text, number, (200, 300)[number // 6 % 2])
        reading = read_card(image)
        if reading.needs_person:
            counts["cards sent to a person by the reader"] += 1
            continue
        opinion = compare_print(image, reading, text, recognise=True)
        counts["cards"] += 1
        counts["cards with a false doubt"] += bool(opinion.doubtful.any())
        counts["cards of which nothing was recognised"] += not opinion.seen
        seen = opinion.seen or BLANK * 80
        printed = [column for column in range(80) if text[column] != BLANK]
        counts["characters"] += len(printed)
        counts["characters that agree"] += sum(
            seen[column] != BLANK and alike(text[column], seen[column]) for column in printed
        )
        _wrong(counts, image, reading, text, chance)
    return counts


def _picture(holes, text, number, ppi):
    if number % 2:
        look = replace(other_renderer.look_by_chance(number), line=True, flip="")
        return other_renderer.draw(holes, look, ppi, number, text)
    return simulate_card(holes, text=text, ppi=ppi, seed=number).image


def _wrong(counts, image, reading, text, chance):
    """Count whether a wrong hole below a printed letter or digit is doubted."""
    column = int(chance.choice([place for place in range(80) if text[place].isalnum()]))
    patterns = reading.patterns.copy()
    patterns[column] ^= 1 << int(chance.integers(12))
    internal = CODE.from_holes[patterns[column]]
    wrong = CODE.alphabet.characters[internal] if internal >= 0 else None
    line = text[:column] + (wrong or "\ufffd") + text[column + 1 :]
    opinion = compare_print(image, replace(reading, patterns=patterns), line, recognise=True)
    counts["wrong holes"] += 1
    counts["wrong holes doubted"] += bool(opinion.doubtful[column])


def main() -> None:
    """Print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cards", type=int, default=300)
    asked.add_argument("--seed", type=int, default=41)
    chosen = asked.parse_args()
    if recogniser.find_recogniser() is None:
        raise SystemExit(f"there is no program {recogniser.PROGRAM}")
    for name, number in counts_of(chosen.cards, chosen.seed).items():
        print(f"{number:>8,} {name}")
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{used.ru_utime + used.ru_stime:>8.1f} s of processor time of {recogniser.PROGRAM}")


if __name__ == "__main__":
    main()

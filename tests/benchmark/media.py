"""Measure how fast each medium is read and written, against a plain read of the same file.

    python tests/benchmark/media.py --work /some/folder --cards 1000000 --slow-cards 100000

The cards are invented receipts of 80 columns. A deck is written piece by piece, then read span by
span as a run reads it, in one process. The plain read is NumPy's `fromfile`, and a sum over its
bytes. Times are those of the processor (user and system), the best of --repeat, so that other work
on the machine tells less; MB are 1,000,000 bytes of the deck.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from deckwright import BIT_LAYOUTS, Medium
from deckwright.cards.codes import load_code
from deckwright.engine.planning.configs import Configs
from deckwright.plugin.registry import Registry

TRAY = 16_384
FAST: Mapping[str, Mapping[str, Any]] = {
    "text": {"kind": "text"},
    "text, trailing blanks left out": {"kind": "text", "short": True},
    "text, CR LF, code page 1252": {"kind": "text", "line_end": "crlf", "code": "cp1252"},
    "blocks, ASCII": {"kind": "blocks", "code": "ascii"},
    "blocks, EBCDIC": {"kind": "blocks"},
    **{f"column binary, {bits}": {"kind": "column-binary", "bits": bits} for bits in BIT_LAYOUTS},
    "records, variable": {"kind": "records", "form": "variable", "short": True},
    "records, variable blocked": {"kind": "records", "short": True},
    "records, fixed blocked": {"kind": "records", "form": "fixed-blocked"},
    "records, decimal": {"kind": "records", "form": "decimal", "short": True},
    "records, spanned": {"kind": "records", "form": "spanned", "short": True},
    "gzip, text inside": {"kind": "wrapped", "wrapped": "gzip", "inside": {"kind": "text"}},
    "zstd, text inside": {"kind": "wrapped", "wrapped": "zstd", "inside": {"kind": "text"}},
}
SLOW: Mapping[str, Mapping[str, Any]] = {
    "transcript, columns": {"kind": "transcript"},
    "transcript, rows": {"kind": "transcript", "form": "rows"},
}


def receipts(count: int, seed: int = 1957) -> np.ndarray:
    """Return invented cards, uint8 (n, 80): numbers, a name, a serial; blank from 41 to 72."""
    dice = np.random.default_rng(seed)
    cards = np.full((count, 80), 32, np.uint8)
    cards[:, :24] = dice.integers(48, 58, (count, 24))
    cards[:, 25:40] = dice.integers(65, 91, (count, 15))
    powers = 10 ** np.arange(7, -1, -1)
    cards[:, 72:] = np.arange(1, count + 1)[:, None] // powers % 10 + 48
    return cards


def best(work: Callable[[], object], repeat: int) -> float:
    """Return the least processor time of some attempts, in seconds."""
    times = []
    for _ in range(repeat):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return max(min(times), 1e-9)


def write(medium: Medium[Any], cards: np.ndarray, lengths: np.ndarray | None, deck: Path) -> None:
    """Write a deck in pieces of a tray, as a run does."""
    alphabet = load_code("ascii").alphabet
    with deck.open("wb") as file:
        for first in range(0, len(cards), TRAY):
            part = slice(first, first + TRAY)
            short = None if lengths is None else lengths[part]
            file.write(medium.encode(cards[part], None, short, alphabet))


def read(medium: Medium[Any], deck: Path) -> int:
    """Read a deck; return how many cards it has."""
    survey = medium.survey(deck, 4 * TRAY)
    return sum(len(tray.text) for span in survey.spans for tray in medium.read(deck, span, TRAY))


def plain(deck: Path) -> int:
    """Read a deck as bytes and nothing else."""
    return int(np.fromfile(deck, np.uint8).sum())


def measured(name: str, options: Mapping[str, Any], cards: np.ndarray, asked: Any) -> str:
    """Return a line of the table."""
    table = dict(options)
    lengths = np.full(len(cards), 40, np.uint16) if table.pop("short", False) else None
    if lengths is not None:
        cards = cards.copy()
        cards[:, 40:] = 32
    configs = Configs(asked.work / "job.toml", Registry())
    deck = asked.work / "media.deck"
    medium = configs.medium(table)
    written = best(lambda: write(medium, cards, lengths, deck), asked.repeat)
    size = deck.stat().st_size / 1e6
    assert read(configs.medium(table), deck) == len(cards)
    # a medium of its own each time, so that nothing is kept from the time before
    took = best(lambda: read(configs.medium(table), deck), asked.repeat)
    bare = best(lambda: plain(deck), asked.repeat)
    deck.unlink()
    return (
        f"| {name} | {len(cards):,} | {size:,.1f} | {size / took:,.0f} | {len(cards) / took:,.0f} "
        f"| {size / written:,.0f} | {len(cards) / written:,.0f} | {size / bare:,.0f} "
        f"| {took / bare:.1f} |"
    )


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--cards", type=int, default=1_000_000)
    parser.add_argument("--slow-cards", type=int, default=100_000)
    parser.add_argument("--repeat", type=int, default=3)
    asked = parser.parse_args()
    asked.work.mkdir(parents=True, exist_ok=True)
    print("| medium | cards | MB | read MB/s | read cards/s | write MB/s | write cards/s "
          "| plain read MB/s | times the plain read |")  # fmt: skip
    print("|---|--:|--:|--:|--:|--:|--:|--:|--:|")
    for tables, count in ((FAST, asked.cards), (SLOW, asked.slow_cards)):
        cards = receipts(count)
        for name, options in tables.items():
            print(measured(name, options, cards, asked), flush=True)


if __name__ == "__main__":
    main()

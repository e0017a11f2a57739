"""Compare what was read of simulated pictures with the truth about them, and keep that truth."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.cards.holes import gather_rows
from deckwright.pictures.card.geometry import COLUMNS, ROWS
from deckwright.wording import hyphened, percent

FIELDS: Final = (
    "picture", "condition", "damages", "ppi", "backing", "turned", "text", "patterns",
)  # fmt: skip
"""Columns of the truth file; `patterns` is 80 x 3 hexadecimal digits, row 12 is 800."""


def write_truth(path: Path, rows: Iterable[dict[str, str]]) -> None:
    """Write a truth file.

    Raises:
        OSError: it cannot be written, or there is one already.
    """
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FIELDS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def read_truth(path: Path) -> list[tuple[dict[str, str], NDArray[np.uint16]]]:
    """Return the rows of a truth file, each with its patterns as uint16 (80).

    Raises:
        OSError: the file cannot be read.
        ValueError: the patterns of a row are not 80 x 3 hexadecimal digits.
    """
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [(row, _unhex(row["patterns"])) for row in rows]


def _unhex(digits: str) -> NDArray[np.uint16]:
    if len(digits) != 3 * COLUMNS:
        msg = f"{len(digits)} hexadecimal digits are not 80 patterns"
        raise ValueError(msg)
    return np.array([int(digits[at : at + 3], 16) for at in range(0, len(digits), 3)], np.uint16)


@dataclass(frozen=True, slots=True, eq=False)
class ReadCard:
    """What a run read of one picture.

    Attributes:
        patterns: uint16 (80), the likelier reading; none if no card was found.
        state: "read", "look" or "bad".
        unsure: how many columns were left to a person.
    """

    patterns: NDArray[np.uint16] | None
    state: str
    unsure: int


def read_card_of(probability: Sequence[float] | None, state: str, unsure: int | None) -> ReadCard:
    """Return what a line of `reading.parquet` says.

    Args:
        probability: 960 of them, row after row from row 12; None if no card was found.
        state: "read", "look" or "bad".
        unsure: how many columns were left to a person.
    """
    if not probability:
        return ReadCard(None, "bad", 0)
    holes = np.array(probability).reshape(ROWS, COLUMNS) >= 0.5  # noqa: PLR2004 - the likelier
    return ReadCard(gather_rows(holes.T), state, unsure or 0)


@dataclass(slots=True)
class Score:
    """Counts over cards of one condition.

    Attributes:
        cards: pictures in the truth.
        missing: of these, not in the reading.
        read: cards that went on without a person.
        person: cards of which something was left to a person.
        bad: of these, cards that were so as a whole.
        unsure: columns that were, on the others.
        silent: wrong columns on cards that went on. Nothing is worse.
    """

    cards: int = 0
    missing: int = 0
    read: int = 0
    person: int = 0
    bad: int = 0
    unsure: int = 0
    silent: int = 0

    def add(self, other: Score) -> None:
        """Add the counts of another score."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


def scores(
    truth: Iterable[tuple[Mapping[str, str], NDArray[np.uint16]]], read: Mapping[str, ReadCard]
) -> dict[str, Score]:
    """Return the score of each condition, and of all together under "".

    Args:
        truth: rows of a truth file, with the patterns of each, uint16 (80).
        read: what was read, by name of the picture.
    """
    found: dict[str, Score] = defaultdict(Score)
    for row, patterns in truth:
        one = _score(patterns, read.get(row["picture"]))
        found[hyphened(row["condition"])].add(one)  # files of former versions have blanks
        found[""].add(one)
    return dict(found)


def _score(patterns: NDArray[np.uint16], card: ReadCard | None) -> Score:
    if card is None:
        return Score(cards=1, missing=1)
    if card.patterns is None or card.state != "read":
        bad = card.state == "bad"
        return Score(cards=1, person=1, bad=int(bad), unsure=0 if bad else card.unsure)
    return Score(cards=1, read=1, silent=int((card.patterns != patterns).sum()))


def score_lines(found: Mapping[str, Score]) -> list[str]:
    """Return the scores as lines of a table."""
    head = f"{'condition':<16}{'cards':>8}{'to a person':>13}{'bad':>6}{'unsure columns':>16}"
    lines = [f"{head}{'silent errors':>15}"]
    for name, score in found.items():
        if name:
            lines.append(_line(name, score))
    whole = found.get("", Score())
    lines.append(_line("all", whole))
    columns = COLUMNS * whole.read
    lines.append(f"{columns:,} columns went on without a person, {whole.silent:,} of them wrong")
    if whole.missing:
        verb = "is" if whole.missing == 1 else "are"
        lines.append(f"{whole.missing:,} of the pictures in the truth {verb} not in the reading")
    return lines


def _line(name: str, score: Score) -> str:
    share = percent(score.person / score.cards) if score.cards else ""
    return (
        f"{name:<16}{score.cards:>8,}{share:>13}{score.bad:>6,}{score.unsure:>16,}"
        f"{score.silent:>15,}"
    )

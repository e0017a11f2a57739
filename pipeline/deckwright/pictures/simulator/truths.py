"""Truth files: what is really punched on each simulated picture."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deckwright.pictures.card.geometry import COLUMNS

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

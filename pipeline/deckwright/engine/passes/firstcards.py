"""The first cards of a run, kept as they were read, for whoever judges the reading at its end."""

from __future__ import annotations

import os
from itertools import takewhile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deckwright.plugin.values import RawTray

Cells = NDArray[np.uint8] | NDArray[np.uint16]
"""Internal bytes (n, L), or patterns (n, L) where the medium has them."""

MOST_CARDS = 20_000
"""Cards that are kept: the first ones of the run, fewer where they are wide."""

_MOST_CELLS = 3_200_000
_FILE = "first-cards-{:08}-{}-{}.cells"
"""Number of the first card, columns of a card, type of a cell."""


def keep_first_cards(work: Path, first: int, raw: RawTray) -> None:
    """Keep those cards of a tray that are among the first of the run.

    Args:
        work: the run's folder for work files.
        first: number, in the run, of the tray's first card.
        raw: the tray.
    """
    most = min(MOST_CARDS, max(1, _MOST_CELLS // max(1, raw.text.shape[1])))
    if first <= most:
        cells: Cells = raw.text if raw.holes is None else raw.holes
        name = _FILE.format(first, cells.shape[1], cells.dtype.name)
        # not by numpy itself, whose error on a full disk does not say that it is full
        (work / name).write_bytes(cells[: most - first + 1].tobytes())


def first_cards(work: Path) -> Cells | None:
    """Return the cells that were kept, however the run was cut; None where it had no cards.

    Cards behind a deck of another width are left out.
    """
    begin = _FILE.partition("{")[0]
    names = sorted(name for name in os.listdir(work) if name.startswith(begin))  # noqa: PTH208 # names
    kept = [_kept(work / name) for name in names]
    same = list(takewhile(lambda cells: cells.shape[1] == kept[0].shape[1], kept))
    return np.concatenate(same) if same else None


def _kept(path: Path) -> NDArray[Any]:
    width, kind = path.stem.split("-")[-2:]
    flat = np.frombuffer(path.read_bytes(), np.dtype(kind))
    return flat.reshape(-1, int(width)) if flat.size else np.zeros((0, int(width)), np.dtype(kind))

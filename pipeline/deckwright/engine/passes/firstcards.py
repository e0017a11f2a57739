"""The first cards of a run, kept as they were read, for whoever judges the reading at its end."""

from __future__ import annotations

import io
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
_FILE = "first-cards-{:08}.npy"


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
        held = io.BytesIO()
        np.save(held, cells[: most - first + 1])
        # not by numpy itself, whose error on a full disk does not say that it is full
        (work / _FILE.format(first)).write_bytes(held.getbuffer())


def first_cards(work: Path) -> Cells | None:
    """Return the cells that were kept, however the run was cut; None where it had no cards.

    Cards behind a deck of another width are left out.
    """
    kept: list[NDArray[Any]] = [
        np.load(path) for path in sorted(work.glob(_FILE.replace("{:08}", "*")))
    ]
    same = list(takewhile(lambda cells: cells.shape[1] == kept[0].shape[1], kept))
    return np.concatenate(same) if same else None

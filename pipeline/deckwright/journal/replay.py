"""Replay: from the cards as they were read and the journal alone to the cards as delivered."""

from __future__ import annotations

import re

import numpy as np
import polars as pl
from numpy.typing import NDArray

from deckwright.cards.codes import Alphabet
from deckwright.journal.columns import span_texts
from deckwright.journal.reader import Journal

_AFTER = re.compile(r"^s(\d+)_after_(\d+)_(\d+)$")


def replay(
    journal: Journal, text: NDArray[np.uint8], alphabet: Alphabet
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Return the cards that the chain delivered, in order, and their images.

    Args:
        journal: the journal of the run.
        text: uint8 (n, L), internal bytes of all cards as they were read; row i is card i + 1.
        alphabet: what the internal bytes stand for.

    Returns:
        Card numbers int64 (k), and text uint8 (k, L) as it is after the last stage.
    """
    images = text.copy()
    for where, index in journal.tasks():
        rows = journal.rows(where.tasks[index])
        places = journal.cards(where, index) - 1
        for name in sorted(rows.columns, key=_stage_of):
            match = _AFTER.match(name)
            if match:
                images = _apply(images, rows[name], places, int(match[2]), int(match[3]), alphabet)
    last = journal.passes[-1]
    pieces = [journal.left(last, index) for index in range(len(last.tasks))]
    cards = np.concatenate(pieces) if pieces else np.zeros(0, np.int64)
    return cards, images[cards - 1]


def _stage_of(name: str) -> int:
    match = _AFTER.match(name)
    return int(match[1]) if match else 0


def _apply(
    images: NDArray[np.uint8],
    after: pl.Series,
    places: NDArray[np.int64],
    first: int,
    last: int,
    alphabet: Alphabet,
) -> NDArray[np.uint8]:
    changed = np.flatnonzero(after.is_not_null().to_numpy())
    if images.shape[1] < last:
        wide = np.full((len(images), last), 32, np.uint8)
        wide[:, : images.shape[1]] = images
        images = wide
    texts = span_texts(after.gather(changed), last - first + 1)
    data = alphabet.encode("".join(texts.to_list()))
    images[places[changed], first - 1 : last] = np.frombuffer(data, np.uint8).reshape(
        len(changed), -1
    )
    return images
